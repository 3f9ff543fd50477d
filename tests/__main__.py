"""Runs the tests in three processes at a time: `python -m tests [pytest's options]`. `pytest` alone runs them one by one."""

from __future__ import annotations

import os
import sys

import pytest

# One BLAS thread each: the processes already share the machine's cores.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

if __name__ == "__main__":
    sys.exit(pytest.main(["-n", "3", "--dist", "worksteal", *sys.argv[1:]]))
