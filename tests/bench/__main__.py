"""Runs the kernel benchmarks in a process with a clean environment."""

from __future__ import annotations

import os
import sys

CLEAN = "CHAINRUN_BENCH_CLEAN"

if os.environ.get(CLEAN) is None:
    environment = {k: v for k, v in os.environ.items() if k not in ("OPENBLAS_CORETYPE", "OPENBLAS_L2_SIZE")}
    environment.update({CLEAN: "1", "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"})
    os.execve(sys.executable, [sys.executable, "-m", "tests.bench", *sys.argv[1:]], environment)

from tests.bench.kernels import main  # noqa: E402

main(sys.argv[1:])
