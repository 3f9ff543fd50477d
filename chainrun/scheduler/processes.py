"""Worker processes with one BLAS thread each: forked by a server, or spawned.

In the program a server that has imported the engine once forks them (multiprocessing's forkserver): a spawned worker
takes 1.2 s to import scipy.signal. `warm_up` starts the server early, so that it imports while the program still reads
its recipe and hashes its stems. In a host's process the workers are spawned: a server there would also serve the host,
with our environment. Workers ignore SIGINT, which a terminal sends to all of them; they end when their parent ends.
"""

from __future__ import annotations

import multiprocessing
import os
import shutil
import signal
import tempfile
import threading
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import forkserver, util
from multiprocessing.connection import wait as wait_for
from multiprocessing.context import (
    BaseContext,
    ForkServerContext,
    ForkServerProcess,
    SpawnContext,
    SpawnProcess,
)
from multiprocessing.process import BaseProcess
from typing import Any

from chainrun.errors import Problem, ResourceError, reason
from chainrun.problem_codes import Code
from chainrun.program import is_program
from chainrun.whole_file import folder_prefix

MAX_FOLDER_BYTES = 55
"""Maximum length of the temporary folder's path for a server: a Unix socket's path has at most 107 bytes."""
SOCKETS = "chainrun-w"


def processors_here() -> int:
    """Number of processors that this process may run on."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def warm_up() -> None:
    """Start the program's worker server, if it is not running. It has a single thread, so it can be forked.

    In a host's process nothing is started before it is needed.
    """
    if not _has_server():
        return
    multiprocessing.get_context("forkserver").set_forkserver_preload(["chainrun.engine.preloaded"])
    _own_place_for_sockets()
    with environment_of_children():
        forkserver.ensure_running()


def _has_server() -> bool:
    return is_program() and len(os.fsencode(tempfile.gettempdir())) <= MAX_FOLDER_BYTES


def _own_place_for_sockets() -> None:
    """Make multiprocessing put its sockets into a folder with our prefix; the next run deletes those of dead runs."""
    settings = getattr(multiprocessing.current_process(), "_config", None)
    if settings is None or settings.get("tempdir") is not None:
        return
    folder = tempfile.mkdtemp(prefix=folder_prefix(SOCKETS))
    settings["tempdir"] = folder
    util.Finalize(None, shutil.rmtree, args=(folder,), kwargs={"ignore_errors": True}, exitpriority=-100)


_environment_lock = threading.RLock()


@contextmanager
def environment_of_children() -> Iterator[None]:
    """Environment for Python processes started inside: one BLAS thread, no modules from the working folder.

    They are started as `python -c`, which would import a `random.py` beside a stranger's recipe as if it were Python's.
    A lock lets one thread in at a time, so that each restores the environment it found.
    """
    wanted = {"OPENBLAS_NUM_THREADS": "1", "PYTHONSAFEPATH": "1"}
    with _environment_lock:
        before = {name: os.environ.get(name) for name in wanted}
        os.environ.update(wanted)
        try:
            yield
        finally:
            for name, value in before.items():
                if value is None:
                    os.environ.pop(name, None)
                else:
                    os.environ[name] = value


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait_for([parent.sentinel])
        os._exit(1)


def _begin_worker() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    threading.Thread(target=_end_with_parent, daemon=True).start()


class _Worker(BaseProcess):
    """Worker process that raises a ResourceError if it cannot be started."""

    def start(self) -> None:
        """Start it. Raises ResourceError: too many processes or files, or a host that may have no children."""
        try:
            super().start()
        except (OSError, AssertionError) as error:
            raise ResourceError(
                Problem(
                    f"a worker process could not be started ({reason(error)})",
                    hint="render with one worker: no further process is started",
                    code=Code.WORKER_NOT_STARTED,
                )
            ) from error


class ForkedWorker(_Worker, ForkServerProcess):
    """Worker process that the program's server forks."""


class SpawnedWorker(_Worker, SpawnProcess):
    """Spawned worker process; the host's environment is changed only while it starts."""

    @staticmethod
    def _Popen(process_obj: BaseProcess) -> Any:  # noqa: N802  (multiprocessing's name)
        with environment_of_children():
            return SpawnProcess._Popen(process_obj)


def _context(started: list[BaseProcess]) -> BaseContext:
    """Multiprocessing context for the workers of one pool: forked by the program's server, else spawned.

    Each worker is added to `started`: a pool ends its own processes, and no others of its host.
    """
    context: BaseContext = ForkServerContext() if _has_server() else SpawnContext()
    kind = ForkedWorker if _has_server() else SpawnedWorker

    def process(*arguments: Any, **named: Any) -> BaseProcess:
        made = kind(*arguments, **named)
        started.append(made)
        return made

    setattr(context, "Process", process)  # noqa: B010  (to the type checker it is a class)
    return context


@contextmanager
def worker_pool(workers: int) -> Iterator[ProcessPoolExecutor]:
    """Pool of worker processes; they are killed at once if the block is left by an exception."""
    warm_up()
    started: list[BaseProcess] = []
    chosen = multiprocessing.get_start_method(allow_none=True)
    with environment_of_children():  # for the process that tracks the pool's semaphores
        pool = ProcessPoolExecutor(workers, _context(started), initializer=_begin_worker)
    try:
        yield pool
    except BaseException:
        running = [process for process in started if process.pid is not None]
        for process in running:
            process.kill()
        for process in running:  # their unfinished files are deleted after this
            process.join(1.0)
        pool.shutdown(wait=False, cancel_futures=True)
        raise
    else:
        pool.shutdown(wait=True, cancel_futures=True)
    finally:
        if chosen is None:  # starting a process fixes the start method, which is the host's choice
            multiprocessing.set_start_method(None, force=True)
