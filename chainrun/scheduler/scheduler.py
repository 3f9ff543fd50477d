"""Runs tasks that depend on each other, in this process or in worker processes of the standard library's pool.

A worker that dies breaks the whole pool. The tasks that were in it are then run again, one at a time, each in its own
pool: the one whose worker dies again is reported, and all others finish. (`max_tasks_per_child` is not used: it can
deadlock.)
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, wait
from typing import Generic, TypeVar

from chainrun.errors import ChainrunError, Problem, ResourceError
from chainrun.problem_codes import Code
from chainrun.scheduler.processes import worker_pool

Task = TypeVar("Task")
Result = TypeVar("Result")

RUNNING_S = 0.25
"""Time between two reports of the tasks that are running."""


class WorkerDiedError(ResourceError):
    """A worker process died twice during the same task."""


class Scheduler(Generic[Task, Result]):
    """Runs `function` over tasks, each as soon as the tasks it needs are done.

    `make` turns a key into a task once everything it needs is done. The callbacks: `begun` when a task starts, `done`
    with its result, `failed` with its error, `again` before a task whose worker died runs a second time, `running`
    several times a second with the keys that worker processes work on. Tasks that need a failed one are skipped; after
    an error for which `stops` returns True no more tasks start.
    """

    def __init__(
        self,
        function: Callable[[Task], Result],
        make: Callable[[str], Task],
        done: Callable[[str, Result], None],
        failed: Callable[[str, ChainrunError], None],
        *,
        begun: Callable[[str], None] = lambda _key: None,
        again: Callable[[str], None] = lambda _key: None,
        running: Callable[[Iterable[str]], None] = lambda _keys: None,
        stops: Callable[[ChainrunError], bool] = lambda _error: False,
    ):
        self._function, self._make, self._done, self._failed = function, make, done, failed
        self._begun, self._again, self._running, self._stops = begun, again, running, stops
        self._waiting: dict[str, set[str]] = {}
        self._stopping = False

    def run(self, needs: Mapping[str, Sequence[str]], workers: int) -> None:
        """Run all keys of `needs`, each with the keys it needs; a needed key that is not in `needs` counts as done."""
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
        """Start no more tasks."""
        self._stopping = True

    def run_on(
        self,
        executor: Executor,
        needs: Mapping[str, Sequence[str]],
        at_once: int,
        lost: tuple[type[BaseException], ...] = (),
    ) -> None:
        """Run all keys of `needs` on the caller's executor (a cluster's), which raises one of `lost` for a dead worker.

        At most `at_once` tasks run at the same time.
        """
        self._waiting = {key: {one for one in needed if one in needs} for key, needed in needs.items()}
        for key in self._drive(executor, at_once, lost):
            self._fail(key, WorkerDiedError(Problem("the worker process died", key=key, code=Code.WORKER_DIED)))

    def _run_in_pool(self, workers: int) -> None:
        while self._waiting and not self._stopping:
            suspects = self._in_pool(workers)
            for key in suspects:
                self._again(key)
                self._alone(key)

    def _in_pool(self, workers: int) -> list[str]:
        """Run until everything is done or a worker dies; returns the keys that were in the pool then."""
        with worker_pool(min(workers, len(self._waiting))) as pool:
            return self._drive(pool, workers)

    def _alone(self, key: str) -> None:
        try:
            with worker_pool(1) as pool:
                result = pool.submit(self._function, self._make(key)).result()
        except (BrokenExecutor, EOFError, ConnectionError):
            self._fail(
                key,
                WorkerDiedError(
                    Problem(
                        "the worker process died, and died again when the task was run alone",
                        key=key,
                        code=Code.WORKER_DIED,
                    )
                ),
            )
        except ChainrunError as error:
            self._fail(key, error)
        else:
            self._finish(key, result)

    def _drive(self, executor: Executor, at_once: int, lost: tuple[type[BaseException], ...] = ()) -> list[str]:
        """Run until everything is done or the executor is broken; returns the keys whose worker died."""
        running: dict[Future[Result], str] = {}
        broken: list[str] = []
        dead: list[str] = []
        while True:
            while not broken and len(running) < at_once and (key := self._next()) is not None:
                self._begun(key)
                try:
                    running[executor.submit(self._function, self._make(key))] = key
                except (BrokenExecutor, EOFError, ConnectionError):  # the latter two if the worker server died
                    broken.append(key)
            if not running:
                return broken + dead
            self._running(running.values())
            for future in wait(running, RUNNING_S, return_when=FIRST_COMPLETED).done:
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
