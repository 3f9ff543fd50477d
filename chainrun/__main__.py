"""Entry point of `python -m chainrun`, the same program as `chainrun`."""

import os.path
import sys

# The working folder may contain a stranger's files, and `python -m` puts it before Python's own modules.
if not sys.flags.safe_path and sys.path[:1] != [os.path.dirname(os.path.dirname(os.path.abspath(__file__)))]:
    del sys.path[0]

from chainrun.cli.start import run

if __name__ == "__main__":
    run()
