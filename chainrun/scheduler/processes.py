"""Worker processes: forked by a server that has imported the engine once, one BLAS thread each.

`warm_up` starts the server, so that it can import while the program still reads its recipe and hashes its stems.
Workers ignore SIGINT, which a terminal sends to all of them; they end when their parent does.
"""

from __future__ import annotations

import multiprocessing
import multiprocessing.context
import os
import shutil
import signal
import tempfile
import threading
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager, nullcontext
from multiprocessing import forkserver, util
from multiprocessing.connection import wait as wait_for

from chainrun.whole_file import folder_prefix

LONGEST_FOLDER = 55
"""Of the system's place for temporary files, in bytes: a Unix socket's path has 107 at most, and 50 come behind it."""


SOCKETS = "chainrun-w"


def processors_here() -> int:
    """Processors that this process may run on."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def context_of_workers() -> multiprocessing.context.BaseContext:
    """How workers are made: forked by a server; each by itself where the server's socket would have too long a path."""
    if len(os.fsencode(tempfile.gettempdir())) > LONGEST_FOLDER:
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["chainrun.engine.preloaded"])
    return context


def warm_up() -> None:
    """Start the server of workers, if it does not run. It has one BLAS thread, and no other: it can be forked."""
    if context_of_workers().get_start_method() != "forkserver":
        return
    _own_place_for_sockets()
    with environment_of_children():
        forkserver.ensure_running()


def _own_place_for_sockets() -> None:
    """Have multiprocessing put its sockets into a folder with our name, so that the next run knows whose are dead."""
    settings = getattr(multiprocessing.current_process(), "_config", None)
    if settings is None or settings.get("tempdir") is not None:
        return
    folder = tempfile.mkdtemp(prefix=folder_prefix(SOCKETS))
    settings["tempdir"] = folder
    util.Finalize(None, shutil.rmtree, args=(folder,), kwargs={"ignore_errors": True}, exitpriority=-100)


@contextmanager
def environment_of_children() -> Iterator[None]:
    """What Python processes that are started here find: one BLAS thread, and no modules of the working folder.

    They are started as `python -c`, which would import a `random.py` beside a stranger's recipe as if it were Python's.
    """
    wanted = {"OPENBLAS_NUM_THREADS": "1", "PYTHONSAFEPATH": "1"}
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


@contextmanager
def worker_pool(workers: int) -> Iterator[ProcessPoolExecutor]:
    """A pool of worker processes; when the program is to stop, they are killed at once."""
    warm_up()
    context = context_of_workers()
    # Spawned workers, and the tracker of their semaphores, are started as they are needed.
    with environment_of_children() if context.get_start_method() == "spawn" else nullcontext():
        pool = ProcessPoolExecutor(workers, context, initializer=_begin_worker)
        try:
            yield pool
        except BaseException:
            children = multiprocessing.active_children()
            for process in children:
                process.kill()
            for process in children:  # what they were writing is taken away after this
                process.join(1.0)
            pool.shutdown(wait=False, cancel_futures=True)
            raise
        pool.shutdown(wait=True, cancel_futures=True)
