"""Fixtures: a folder with jobs files, and a cluster on loopback."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests import program
from tests.batch.job_files import RECIPE


@pytest.fixture
def jobs_file(session):
    """A folder with three recipes, and `jobs_file(text)` to write a file of jobs."""
    for name in ("one", "two", "three"):
        session.write(RECIPE.replace("-20", str(-18 - len(name))), name)

    def write(text):
        Path("night.jobs.toml").write_text(f'grammar = 1\nout = "night"\n{text}')
        return Path("night.jobs.toml")

    return write


SCHEDULERS = []


@pytest.fixture
def cluster_scheduler():
    """The process of the newest scheduler."""
    return lambda: SCHEDULERS[-1]


@pytest.fixture
def cluster(tmp_path_factory):
    """A scheduler and two worker processes on loopback, as an operator starts them."""
    pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    import os
    import socket

    folder = tmp_path_factory.mktemp("cluster")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    address = f"tcp://127.0.0.1:{port}"
    environment = {**os.environ, "PYTHONWARNINGS": "ignore"}

    def start(*arguments):
        silent = {"stdout": program.DEVNULL, "stderr": program.DEVNULL}
        return program.start(*arguments, command=(sys.executable, "-m"), cwd=folder, env=environment, **silent)

    running = [start("distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard")]
    for name in ("w1", "w2"):
        running.append(
            start(
                "distributed.cli.dask_worker",
                address,
                "--nthreads",
                "1",
                "--no-nanny",
                "--name",
                name,
                "--no-dashboard",
            )
        )
    SCHEDULERS.append(running[0])
    yield address, running[1:]
    for process in reversed(running):
        process.kill()
        program.ended(process)
