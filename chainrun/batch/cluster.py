"""Runs jobs on dask.distributed (extra `cluster`): `local:4` starts workers here, `tcp://HOST:PORT` uses running ones.

Inputs, output and store must be on a file system that all workers see under the same paths.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, Future
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

from chainrun import __version__
from chainrun.audiofile import BLOCK_FRAMES
from chainrun.errors import Problem, ResourceError, UsageError, reason
from chainrun.plan.surroundings import surroundings
from chainrun.problem_codes import Code
from chainrun.program import is_program
from chainrun.scheduler.processes import environment_of_children
from chainrun.scheduler.scheduler import Scheduler

SAME = ("engine", "code", "numpy", "scipy")
"""Facts of a worker that must equal those of this program."""
PATIENCE_S = 15.0
"""Maximum time to wait for a scheduler and its first worker."""

Task = TypeVar("Task")
Result = TypeVar("Result")


def run_on_cluster(
    where: str,
    scheduler: Scheduler[Task, Result],
    needs: Mapping[str, Sequence[str]],
    *,
    recipes: Sequence[Path],
    store: Path | None,
    say: Callable[[str], None] = lambda _text: None,
) -> None:
    """Run a scheduler's tasks on a cluster; `say` gets a line for each worker that is excluded.

    Raises UsageError for an invalid address; ResourceError if the workers do not match this program or the scheduler
    dies.
    """
    try:
        from distributed import CancelledError, KilledWorker
    except ImportError as error:
        raise UsageError(
            Problem(
                "a cluster needs the extra `cluster`",
                hint="pip install 'chainrun[cluster]'",
                code=Code.EXTRA_MISSING,
                facts=(("asked_by", "cluster"),),
            )
        ) from error
    with _client(where) as client:
        _check_workers(client, [*recipes[:8], *([store] if store is not None else [])])
        at_once = 2 * max(1, len(client.scheduler_info(n_workers=-1)["workers"]))
        executor = _Executor(client, say)
        try:
            scheduler.run_on(executor, needs, at_once, lost=(KilledWorker, CancelledError))
        except (OSError, RuntimeError) as error:
            if not executor.scheduler_is_there():
                raise _scheduler_died(where) from error
            raise
        if executor.was_cut_off:
            raise _scheduler_died(where)


def _scheduler_died(where: str) -> ResourceError:
    return ResourceError(
        Problem(
            "the scheduler died while the batch ran; files delivered so far stay, and the next run does the rest",
            given=f'"{where}"',
            code=Code.CLUSTER_SCHEDULER_DIED,
        )
    )


class WrongWorkerError(Exception):
    """A worker of the cluster runs another program than this one."""

    def __init__(self, worker: str, what: str):
        super().__init__(worker, what)
        self.worker, self.what = worker, what


def _program_now() -> dict[str, str]:
    """This program's values of SAME."""
    around = surroundings(BLOCK_FRAMES)
    return {key: str(getattr(around, key)) for key in SAME}


@cache
def _program() -> dict[str, str]:
    """This program's values of SAME, determined once in a process."""
    return _program_now()


def run_checked(function: Callable[[Task], Result], task: Task, program: Mapping[str, str]) -> Result:
    """Run a task, on a worker. Raises WrongWorkerError for another program: workers may join while a batch runs."""
    here = _program()
    for key, wanted in program.items():
        if here.get(key) != wanted:
            from distributed import get_worker

            raise WrongWorkerError(str(get_worker().address), f"another {key}")
    return function(task)


class _Executor(Executor):
    """Gives tasks to the cluster's workers, except to those that run another program."""

    def __init__(self, client: Any, say: Callable[[str], None]):
        self._client, self._say = client, say
        self._program = _program()
        self._wrong: set[str] = set()
        self.was_cut_off = False

    def scheduler_is_there(self) -> bool:
        """Whether the scheduler is connected."""
        return str(self._client.status) == "running"

    def submit(self, function: Callable[..., Any], /, *arguments: Any, **_: Any) -> Future[Any]:
        """Submit a function; returns the future of its result."""
        outer: Future[Any] = Future()
        outer.set_running_or_notify_cancel()
        self._hand_out(outer, function, arguments[0])
        return outer

    def _hand_out(self, outer: Future[Any], function: Callable[..., Any], task: Any) -> None:
        options: dict[str, object] = {"pure": False}
        if self._wrong:
            there = self._client.scheduler_info(n_workers=-1)["workers"]
            right = [one for one in there if one not in self._wrong]
            if not right:
                outer.set_exception(
                    ResourceError(
                        Problem(
                            "no worker of the cluster runs this program",
                            hint=f"install {__version__}",
                            code=Code.WRONG_CLUSTER_WORKER,
                        )
                    )
                )
                return
            options |= {"workers": right, "allow_other_workers": False}
        try:
            inner = self._client.submit(run_checked, function, task, self._program, **options)
        except Exception as error:
            self.was_cut_off = not self.scheduler_is_there()
            outer.set_exception(error)
            return
        inner.add_done_callback(lambda done: self._ended(done, outer, function, task))

    def _ended(self, inner: Any, outer: Future[Any], function: Callable[..., Any], task: Any) -> None:
        try:
            outer.set_result(inner.result())
        except WrongWorkerError as wrong:
            if wrong.worker not in self._wrong:
                self._wrong.add(wrong.worker)
                self._say(f"worker {wrong.worker} runs {wrong.what}: it gets no more jobs; another runs this one")
            self._hand_out(outer, function, task)
        except BaseException as error:
            self.was_cut_off = self.was_cut_off or not self.scheduler_is_there()
            outer.set_exception(error)


@contextmanager
def _client(where: str) -> Iterator[Any]:
    import distributed

    # The library's names have no types.
    Client: Any = distributed.Client
    LocalCluster: Any = distributed.LocalCluster
    kind, _, rest = where.partition(":")
    if kind == "local":
        if not rest.isdigit() or not 1 <= int(rest) <= 256:
            raise UsageError(
                Problem(
                    "local:N needs a number of workers",
                    given=f'"{where}"',
                    allowed="1 to 256",
                    code=Code.OPTION_VALUE,
                    facts=(("asked_by", "cluster_workers"),),
                )
            )
        with ExitStack() as stack, ExitStack() as starting:
            # The program keeps this environment for restarted workers; inside a host it is restored at once.
            (stack if is_program() else starting).enter_context(environment_of_children())
            cluster = stack.enter_context(
                LocalCluster(
                    n_workers=int(rest), threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
                )
            )
            starting.close()
            yield stack.enter_context(Client(cluster))
        return
    if kind not in ("tcp", "tls"):
        raise UsageError(
            Problem(
                "this is not an address of workers",
                given=f'"{where}"',
                allowed="local:N, or tcp://HOST:PORT",
                code=Code.OPTION_VALUE,
                facts=(("asked_by", "cluster"),),
            )
        )
    try:
        client = Client(where, timeout=PATIENCE_S)
    except (OSError, TimeoutError) as error:
        raise ResourceError(
            Problem("no scheduler answers at this address", given=f'"{where}"', code=Code.NO_CLUSTER_SCHEDULER)
        ) from error
    with client:
        try:
            client.wait_for_workers(1, timeout=PATIENCE_S)
        except TimeoutError as error:
            raise ResourceError(
                Problem("the scheduler has no workers", given=f'"{where}"', code=Code.NO_CLUSTER_WORKERS)
            ) from error
        yield client


@dataclass(frozen=True)
class WorkerReport:
    """Report of a worker: its program, and needed files that it does not see."""

    program: dict[str, str]
    missing: list[str]

    @classmethod
    def of(cls, answer: Mapping[str, str | list[str]]) -> WorkerReport:
        """Read the result of `worker_report`, from a worker of any version."""
        return cls({key: str(answer[key]) for key in SAME}, list(answer["missing"]))


def worker_report(paths: Sequence[str]) -> dict[str, str | list[str]]:
    """The report of the worker that runs this, as plain data, since versions may differ."""
    return {**_program_now(), "missing": [path for path in paths if not Path(path).exists()]}


def _check_workers(client: Any, paths: Sequence[Path]) -> None:
    try:
        answers = client.run(worker_report, [str(path.absolute()) for path in paths])
    except ImportError as error:
        raise ResourceError(
            Problem(
                f"a worker has no chainrun ({reason(error)})",
                hint=f"install {__version__} there",
                code=Code.WRONG_CLUSTER_WORKER,
            )
        ) from error
    mine = _program_now()
    problems = []
    for worker, report in ((worker, WorkerReport.of(answer)) for worker, answer in answers.items()):
        problems += [
            Problem(
                f"worker {worker} runs another {key}",
                given=report.program[key],
                allowed=mine[key],
                code=Code.WRONG_CLUSTER_WORKER,
            )
            for key in SAME
            if report.program[key] != mine[key]
        ]
        problems += [
            Problem(
                f"worker {worker} does not see a file",
                file=path,
                hint="put inputs and store on a shared file system",
                code=Code.CLUSTER_WORKER_WITHOUT_FILE,
            )
            for path in report.missing
        ]
    if problems:
        raise ResourceError(problems)
