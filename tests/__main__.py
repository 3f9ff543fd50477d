"""Runs the tests, two files at a time, each file in a pytest of its own: `python -m tests [--jobs N] [pytest's options]`.

Without it, `pytest` alone does the same one test after another. Exit code 0 if all passed, 1 if not.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

HERE = Path(__file__).parent
LONG = (
    "test_elsewhere",
    "test_writing",
    "test_fuzz",
    "test_workers",
    "test_browser",
    "test_readme",
    "test_batch",
    "test_kit",
)
"""The files that take longest, to be begun first."""
NOTHING_COLLECTED = 5


def run(file: Path, options: list[str]) -> tuple[Path, int, str, float]:
    """One file's exit code, output and seconds."""
    begun = time.monotonic()
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", *options, str(file)]
    # one thread each for the linear algebra: the processes share the machine's cores already
    environment = {"OPENBLAS_NUM_THREADS": "1", **os.environ}
    done = subprocess.run(
        command, cwd=HERE.parent, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, check=False
    )
    return file, done.returncode, done.stdout.decode("utf-8", "replace"), time.monotonic() - begun


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests", description=__doc__, add_help=False)
    parser.add_argument("--jobs", type=int, default=2)
    known, options = parser.parse_known_args()
    files = sorted(HERE.glob("**/test_*.py"), key=lambda file: (file.stem not in LONG, file.name))
    begun = time.monotonic()
    failed = []
    with ThreadPoolExecutor(known.jobs) as pool:
        for file, code, output, seconds in pool.map(lambda file: run(file, options), files):
            lines = output.strip().splitlines()
            if code == NOTHING_COLLECTED:
                continue
            print(f"{file.relative_to(HERE).as_posix():32} {seconds:6.1f} s  {lines[-1] if lines else ''}", flush=True)
            if code:
                failed.append(file.relative_to(HERE).as_posix())
                print(output, flush=True)
    print(f"{len(files) - len(failed)} of {len(files)} files passed in {time.monotonic() - begun:.0f} s")
    if failed:
        print("failed: " + ", ".join(failed))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
