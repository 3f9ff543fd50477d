"""`python -m chainrun` is the same program as `chainrun`."""

from chainrun.cli.app import run

if __name__ == "__main__":
    run()
