"""Runs the tests in two processes at a time, long files in one of their own: `python -m tests [--jobs N] [pytest's options]`.

Without it, `pytest` alone does the same one test after another. Exit code 0 if all passed, 1 if not.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

HERE = Path(__file__).parent
TOGETHER = 5
"""So many of the others share a process: starting one takes a second."""
LONG = (
    "test_elsewhere",
    "test_writing",
    "test_fuzz",
    "test_workers",
    "test_browser",
    "test_readme",
    "test_batch",
    "test_morning",
    "test_honest",
    "test_odd_input",
    "test_kit",
)
"""The files that take longest, to be begun first."""
NOTHING_COLLECTED = 5


def run(files: Sequence[Path], options: list[str]) -> tuple[Sequence[Path], int, str, float]:
    """Some files' exit code, output and seconds."""
    begun = time.monotonic()
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", *options, *map(str, files)]
    # one thread each for the linear algebra: the processes share the machine's cores already
    environment = {"OPENBLAS_NUM_THREADS": "1", **os.environ}
    done = subprocess.run(
        command, cwd=HERE.parent, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, check=False
    )
    return files, done.returncode, done.stdout.decode("utf-8", "replace"), time.monotonic() - begun


def batches() -> list[list[Path]]:
    """Long files one by one and first, then the others, each batch made of ones from all over the list."""
    files = sorted(HERE.glob("**/test_*.py"))
    long = [file for name in LONG for file in files if file.stem == name]
    others = [file for file in files if file not in long]
    count = -(-len(others) // TOGETHER)
    return [*([file] for file in long), *(others[i::count] for i in range(count))]


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests", description=__doc__, add_help=False)
    parser.add_argument("--jobs", type=int, default=2)
    known, options = parser.parse_known_args()
    todo = batches()
    begun = time.monotonic()
    failed: list[str] = []
    with ThreadPoolExecutor(known.jobs) as pool:
        for files, code, output, seconds in pool.map(lambda some: run(some, options), todo):
            lines = output.strip().splitlines()
            if code == NOTHING_COLLECTED:
                continue
            names = [file.relative_to(HERE).as_posix() for file in files]
            print(f"{seconds:6.1f} s  {lines[-1] if lines else ''}  {' '.join(names)}", flush=True)
            if code:
                failed += names
                print(output, flush=True)
    print(f"{'failed' if failed else 'all passed'}, in {time.monotonic() - begun:.0f} s")
    if failed:
        print("in these, or some of them: " + " ".join(failed))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
