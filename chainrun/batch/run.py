"""Runs a batch: renders jobs that are new or have changed, in parallel, and keeps a record for the next run."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from chainrun.batch.job import BEFORE, JobTask, run_job
from chainrun.batch.job_record import JobRecord, JobState
from chainrun.batch.jobs import Job, Jobs, OneGain, chosen_jobs, clash, shard_of
from chainrun.batch.record import BatchRecord, batch_document
from chainrun.delivery.files import PEAK_MARGIN_DB, check_folder
from chainrun.engine import EventLog
from chainrun.errors import ChainrunError, Problem, RecipeError, shown_path
from chainrun.plan import build_plan
from chainrun.plan.deliveries import delivery_files
from chainrun.problem_codes import Code
from chainrun.recipe import Opened, open_recipe
from chainrun.scheduler.processes import processors_here
from chainrun.scheduler.scheduler import Scheduler
from chainrun.store.store import GB, Store, limit_gb
from chainrun.whole_file import drop_dead, safely_resolved

STEP_S = 0.01
"""Interval between the times of use of two jobs' prints, so that the store prunes those of the last jobs first."""


@dataclass(frozen=True)
class BatchOptions:
    """Options of a batch."""

    workers: int | None = None
    """Worker processes. Default: as many as this machine has processors."""
    store: Path | None = None
    """Folder of kept prints; None keeps none."""
    fail_fast: bool = False
    """Whether to start no more jobs after one failed."""
    jobs: tuple[str, ...] = ()
    """Names of jobs; none for all."""
    shard: str | None = None
    """K/N: the K-th of N parts of the jobs."""
    log: Path | None = None
    """File to append events to."""
    cluster: str | None = None
    """Workers of dask.distributed: local:N or tcp://HOST:PORT."""
    refuse: Callable[[Opened], None] | None = None
    """Also looks at each job's recipe when it is opened, and may raise ChainrunError: the job fails."""


@dataclass
class BatchResult:
    """Result of a batch: the record of every job, in the file's order."""

    path: Path
    """The file batch.json."""
    records: dict[str, JobRecord] = field(default_factory=dict)
    seconds: float = 0.0
    lost: bool = False
    """Whether batch.json or the log could not be written."""

    @property
    def failed(self) -> bool:
        """Whether any job of this run failed, missed its target, or was not started because another one had failed."""
        return any(not record.state.good for record in self.records.values())

    def record(self) -> dict[str, object]:
        """The result as one JSON document."""
        return batch_document(self.records.values(), self.seconds)


def run_batch(
    jobs: Jobs,
    options: BatchOptions | None = None,
    *,
    ended: Callable[[JobRecord], None] = lambda _record: None,
    say: Callable[[str], None] = lambda _text: None,
) -> BatchResult:
    """Run the jobs of a file (`open_jobs`), and write batch.json into its output folder.

    `ended` is called with the record of each job as it ends, `say` with each line about the whole batch. A job that
    fails becomes a record. Raises UsageError for options that fit no job, RecipeError (before any work) if two jobs
    would write the same file or a job would overwrite an input, ResourceError for a lost cluster.
    """
    return BatchRunner(jobs, options or BatchOptions(), ended, say).run()


class BatchRunner:
    """Runs the jobs of one file once."""

    def __init__(
        self, jobs: Jobs, options: BatchOptions, ended: Callable[[JobRecord], None], say: Callable[[str], None]
    ):
        self.jobs, self.options, self.ended = jobs, options, ended
        self.began, self.started = time.perf_counter(), time.time()
        self.said: list[str] = []
        self._say = say
        self.store = options.store.absolute() if options.store is not None else None
        self.log_file = options.log.absolute() if options.log is not None else None
        if self.store is not None:
            Store(self.store)  # create it before the workers use it
        self.chosen = chosen_jobs(jobs, options.jobs, options.shard)
        check_folder(jobs.out)
        self.result = BatchResult(jobs.out / _name(options.shard))
        self.log = EventLog(self.log_file, "batch", say=self.say)
        self.ready: dict[str, Job] = {}
        self.paths: list[Path] = []
        self.gain_db: float | None = None
        self.workers = options.workers or processors_here()

    def say(self, text: str) -> None:
        """Report a line, once."""
        if text not in self.said:
            self.said.append(text)
            self._say(text)

    def run(self) -> BatchResult:
        """Run the chosen jobs; returns their records."""
        unfit = self._take_up()
        self.record = BatchRecord(self.result.path, [job.name for job in self.jobs.jobs], self.say)
        stop = self.jobs.stop_on_error or self.options.fail_fast
        try:
            for record in unfit:
                self._end(record)
            if not (stop and unfit):
                if self.jobs.one_gain is not None:
                    self._find_gain(self.jobs.one_gain)
                self._run_jobs(stop)
            for job in self.chosen:
                if job.name not in self.result.records:
                    self._end(JobRecord.not_run(job.name))
        finally:
            self.result.seconds = time.perf_counter() - self.began
            self.record.close(self.result.seconds)
            self.log.close()
            for path in self.paths:  # files of jobs whose worker was stopped
                drop_dead(path)
            if self.store is not None:
                with suppress(ChainrunError, OSError):
                    Store(self.store).clean()
        self.result.records = {job.name: self.result.records[job.name] for job in self.chosen}
        self.result.lost = self.record.lost or self.log.lost
        return self.result

    def _take_up(self) -> list[JobRecord]:
        """Open every job's recipe; returns records of those that cannot be opened. Raises RecipeError for clashes."""
        inputs, bytes_of = _inputs(self.jobs)
        paths: list[tuple[str, Path]] = []
        unfit: list[JobRecord] = []
        for job in self.chosen:
            try:
                opened = open_recipe(job.recipe, job.overrides)
                if self.options.refuse is not None:
                    self.options.refuse(opened)
            except ChainrunError as error:
                unfit.append(JobRecord.failed(job.name, error, 0.0))
                continue
            self.ready[job.name] = job
            for folder in (job.out, *([job.out / BEFORE] if job.compare else [])):
                paths += [(job.name, safely_resolved(folder / path)) for path in delivery_files(opened, job.only)]
        own = ("the batch's own record", safely_resolved(self.result.path))
        problem = clash([own, *paths]) or _over_inputs(paths, inputs)
        if problem is not None:
            raise problem
        self.paths = [path for _, path in paths]
        self._tell_size(sum(bytes_of.get(name, 0) for name in self.ready))
        return unfit

    def _tell_size(self, n_bytes: int) -> None:
        if self.store is None:
            return
        limit = limit_gb()
        if n_bytes > limit * GB:
            self.say(
                f"these jobs' prints take up to {n_bytes / GB:.2g} GB, and the store keeps {limit:g} GB: the last jobs "
                f"are rendered again every time; CHAINRUN_STORE_GB raises the limit"
            )

    def _end(self, record: JobRecord) -> None:
        self.result.records[record.job] = record
        self.log.record("job_end", job=record.job, state=record.state.value, seconds=record.seconds, error=record.error)
        self.record.add(record)
        self.ended(record)

    # -- how they run ----------------------------------------------------------------------------------------

    @property
    def _side_by_side(self) -> bool:
        return len(self.ready) > 1 or self.options.cluster is not None

    def _task(self, name: str, *, measure_only: bool = False) -> JobTask:
        names = [job.name for job in self.jobs.jobs]
        return JobTask(
            next(job for job in self.jobs.jobs if job.name == name),
            self.store,
            1 if self._side_by_side else self.workers,
            self.log_file if not self.log.lost else None,
            None if measure_only else self.record.before.get(name),
            None if measure_only else self.gain_db,
            measure_only,
            self.started - STEP_S * names.index(name),
        )

    def _find_gain(self, wanted: OneGain) -> None:
        """Find the gain of the whole set, whichever part of it is rendered here."""
        measured: dict[str, JobRecord] = {}
        others = {job.name: job for job in self.jobs.jobs if job.name not in self.ready}
        scheduler: Scheduler[JobTask, JobRecord] = Scheduler(
            run_job,
            lambda name: self._task(name, measure_only=True),
            measured.__setitem__,
            lambda _name, _error: None,
        )
        self._drive(scheduler, others)
        for name in others:
            if name not in measured or measured[name].result is None:
                self.log.record("warning", message=f"{name}: cannot be measured; the set's gain does not include it")
        self.gain_db = _gain_of_set(wanted, measured.values())

    def _run_jobs(self, stop: bool) -> None:
        def done(_name: str, record: JobRecord) -> None:
            self._end(record)
            if stop and record.state is JobState.FAILED:
                scheduler.stop()

        def again(name: str) -> None:
            self.log.record("warning", message=f"{name}: the worker process died; the job runs once more, alone")

        scheduler: Scheduler[JobTask, JobRecord] = Scheduler(
            run_job,
            self._task,
            done,
            lambda name, error: self._end(JobRecord.failed(name, error, 0.0)),
            begun=lambda name: self.log.record("job_begin", job=name),
            again=again,
            stops=lambda _error: stop,
        )
        self._drive(scheduler)

    def _drive(self, scheduler: Scheduler[JobTask, JobRecord], others: Mapping[str, Job] | None = None) -> None:
        names = [*self.ready, *(others or {})]
        needs: dict[str, tuple[str, ...]] = dict.fromkeys(names, ())
        if self.options.cluster is None:
            scheduler.run(needs, self.workers if self._side_by_side else 1)
            return
        from chainrun.batch.cluster import run_on_cluster

        def say_and_log(text: str) -> None:
            self.say(text)
            self.log.record("warning", message=text)

        recipes = [job.recipe for job in (*self.ready.values(), *(others or {}).values())]
        run_on_cluster(self.options.cluster, scheduler, needs, recipes=recipes, store=self.store, say=say_and_log)


def _inputs(jobs: Jobs) -> tuple[dict[Path, str], dict[str, int]]:
    """All files that jobs read, resolved, with the job's name; and the estimated size of each job's prints.

    Recipes that cannot be opened are skipped here; they fail as jobs.
    """
    found = {safely_resolved(jobs.path): "the file of jobs"}
    sizes: dict[str, int] = {}
    for job in jobs.jobs:
        try:
            opened = open_recipe(job.recipe, job.overrides)
            found |= dict.fromkeys(map(safely_resolved, opened.files()), job.name)
            plan = build_plan(opened, hash_file=None)
        except ChainrunError:
            continue
        found |= dict.fromkeys(plan.inputs, job.name)
        frames = int(plan.session_s * plan.rate_hz)
        sizes[job.name] = sum(frames * node.n_channels_out * 4 for node in plan.nodes)
    return found, sizes


def _over_inputs(paths: Iterable[tuple[str, Path]], inputs: Mapping[Path, str]) -> RecipeError | None:
    """The error for jobs that would overwrite an input of any job; None if there are none."""
    problems = [
        Problem(
            "a delivery would be written over an input",
            file=shown_path(path),
            given=f"written by {name}, read by {inputs[path]}",
            hint="set another `out` for that job, or rename the delivery",
            code=Code.DELIVERY_IN_THE_WAY,
        )
        for name, path in paths
        if path in inputs
    ]
    return RecipeError(problems) if problems else None


def _gain_of_set(wanted: OneGain, records: Iterable[JobRecord]) -> float:
    """The gain in dB that brings the loudest main to the target, limited by the maximum true peak of all."""
    mains = [record.result.nodes["main"].measured for record in records if record.result is not None]
    loudest = max((main.integrated_lufs for main in mains), default=-math.inf)
    peak = max((main.true_peak_dbtp for main in mains if main.true_peak_dbtp is not None), default=-math.inf)
    if not math.isfinite(loudest) or not math.isfinite(peak):
        return 0.0
    return min(wanted.target_lufs - loudest, wanted.max_dbtp - PEAK_MARGIN_DB - peak)


def _name(shard: str | None) -> str:
    if shard is None:
        return "batch.json"
    part, count = shard_of(shard)
    return f"batch.{part}-of-{count}.json"
