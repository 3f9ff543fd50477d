"""Runs tasks that depend on each other: in this process, or in worker processes of the standard library's pool.

A worker that dies breaks the whole pool. The tasks that were in it are then run again, one at a time, each in a pool of
its own: the one whose worker dies once more is named, and all others finish. (`max_tasks_per_child` is not used: it can
deadlock.) Workers ignore SIGINT, which a terminal sends to all of them; they end when their parent does.

Workers are forked by a server that has imported the engine once: `warm_up` starts it, so that it can do so while the
program still reads its recipe and hashes its stems.
"""

from __future__ import annotations

import multiprocessing
import multiprocessing.context
import os
import shutil
import signal
import tempfile
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager, nullcontext
from multiprocessing import forkserver, util
from multiprocessing.connection import wait as wait_for
from typing import Generic, TypeVar

from chainrun.errors import ChainrunError, Problem, ResourceError
from chainrun.whole_file import folder_prefix

LONGEST_FOLDER = 55
"""Of the system's place for temporary files, in bytes: a Unix socket's path has 107 at most, and 50 come behind it."""
SOCKETS = "chainrun-w"
Task = TypeVar("Task")
Result = TypeVar("Result")


def processors_here() -> int:
    """Processors that this process may run on."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def context_of_workers() -> multiprocessing.context.BaseContext:
    """How workers are made: forked by a server; each by itself where the server's socket would have too long a path."""
    if len(os.fsencode(tempfile.gettempdir())) > LONGEST_FOLDER:
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["chainrun.engine.server"])
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


class WorkerDiedError(ResourceError):
    """A worker process died twice over the same task."""


class Crew(Generic[Task, Result]):
    """Runs `function` over tasks as what they need gets done.

    `make` turns a key into a task when all that it needs is there; `done` takes each result, `failed` each error of a
    task. Tasks that need a failed one are left out; after an error that `stops`, no more are begun. `begun` hears of
    each task as it is handed out, `again` of one whose worker died and which is tried once more.
    """

    def __init__(
        self,
        function: Callable[[Task], Result],
        make: Callable[[str], Task],
        done: Callable[[str, Result], None],
        failed: Callable[[str, ChainrunError], None],
        *,
        begun: Callable[[str], None] = lambda key: None,
        again: Callable[[str], None] = lambda key: None,
        stops: Callable[[ChainrunError], bool] = lambda error: False,
    ):
        self._function, self._make, self._done, self._failed = function, make, done, failed
        self._begun, self._again, self._stops = begun, again, stops
        self._waiting: dict[str, set[str]] = {}
        self._stopping = False

    def run(self, needs: Mapping[str, Sequence[str]], workers: int) -> None:
        """Run all keys of `needs`; what they need and is no key itself is there already."""
        self._waiting = {key: {one for one in needed if one in needs} for key, needed in needs.items()}
        if workers <= 1:
            self._run_here()
        else:
            self._run_in_pool(workers)

    # -- what is ready -------------------------------------------------------------------------------------

    def _next(self) -> str | None:
        if self._stopping:
            return None
        ready = next((key for key, needed in self._waiting.items() if not needed), None)
        if ready is not None:
            del self._waiting[ready]
        return ready

    def _finish(self, key: str, result: Result) -> None:
        for needed in self._waiting.values():
            needed.discard(key)
        self._done(key, result)

    def _fail(self, key: str, error: ChainrunError) -> None:
        lost = [key]
        while lost:
            gone = lost.pop()
            lost += [one for one, needed in self._waiting.items() if gone in needed]
            self._waiting = {one: needed for one, needed in self._waiting.items() if gone not in needed}
        self._stopping = self._stopping or self._stops(error)
        self._failed(key, error)

    # -- how it runs ---------------------------------------------------------------------------------------

    def _run_here(self) -> None:
        while (key := self._next()) is not None:
            self._begun(key)
            try:
                result = self._function(self._make(key))
            except ChainrunError as error:
                self._fail(key, error)
            else:
                self._finish(key, result)

    def stop(self) -> None:
        """Begin no more tasks."""
        self._stopping = True

    def run_on(
        self,
        executor: Executor,
        needs: Mapping[str, Sequence[str]],
        at_once: int,
        lost: tuple[type[BaseException], ...] = (),
    ) -> None:
        """Run all keys of `needs` on an executor of somebody else (a cluster's), which tells dead workers by `lost`."""
        self._waiting = {key: {one for one in needed if one in needs} for key, needed in needs.items()}
        for key in self._drive(executor, at_once, lost):
            self._fail(key, WorkerDiedError(Problem("the worker process died", key=key)))

    def _run_in_pool(self, workers: int) -> None:
        while self._waiting and not self._stopping:
            suspects = self._in_pool(workers)
            for key in suspects:
                self._again(key)
                self._alone(key)

    def _in_pool(self, workers: int) -> list[str]:
        """Run until all is done or a worker dies; the keys that were in the pool then."""
        with worker_pool(min(workers, len(self._waiting))) as pool:
            return self._drive(pool, workers)

    def _alone(self, key: str) -> None:
        try:
            with worker_pool(1) as pool:
                result = pool.submit(self._function, self._make(key)).result()
        except (BrokenExecutor, EOFError, ConnectionError):
            self._fail(
                key,
                WorkerDiedError(Problem("the worker process died, and died again when it was tried alone", key=key)),
            )
        except ChainrunError as error:
            self._fail(key, error)
        else:
            self._finish(key, result)

    def _drive(self, executor: Executor, at_once: int, lost: tuple[type[BaseException], ...] = ()) -> list[str]:
        """Run until all is done, or the executor is broken. Returns the keys whose worker died."""
        running: dict[Future[Result], str] = {}
        broken: list[str] = []
        dead: list[str] = []
        while True:
            while not broken and len(running) < at_once and (key := self._next()) is not None:
                self._begun(key)
                try:
                    running[executor.submit(self._function, self._make(key))] = key
                except (BrokenExecutor, EOFError, ConnectionError):  # the latter where the server of workers died
                    broken.append(key)
            if not running:
                return broken + dead
            for future in wait(running, return_when=FIRST_COMPLETED).done:
                key = running.pop(future)
                try:
                    result = future.result()
                except BrokenExecutor:
                    broken.append(key)
                except lost:
                    dead.append(key)
                except ChainrunError as error:
                    self._fail(key, error)
                else:
                    self._finish(key, result)


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
