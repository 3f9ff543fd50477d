"""Runs the jobs: what is not done or changed, side by side, with a record that the next run reads."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from chainrun import __version__
from chainrun.batch.job import BEFORE, JobTask, failed_record, run_job
from chainrun.batch.jobs import Job, Jobs, OneGain, chosen_jobs, clash, shard_of
from chainrun.batch.record import SCHEMA_VERSION, BatchRecord, Record
from chainrun.delivery.files import PEAK_MARGIN_DB, check_folder
from chainrun.engine import EventLog
from chainrun.errors import ChainrunError, Problem, RecipeError, shown_path
from chainrun.plan import build_plan
from chainrun.plan.deliveries import delivery_files
from chainrun.recipe import open_recipe
from chainrun.recipe.load import refuse_retired
from chainrun.scheduler.processes import processors_here
from chainrun.scheduler.scheduler import Scheduler
from chainrun.store.store import GB, Store, limit_gb
from chainrun.whole_file import drop_dead, safely_resolved

STEP_S = 0.01
"""Between the times of use of two jobs' prints: the store drops those of the night's last jobs first."""


@dataclass(frozen=True)
class BatchOptions:
    """Options of a batch, as the command line gives them."""

    workers: int | None = None
    store: Path | None = None
    fail_fast: bool = False
    only: str | None = None
    shard: str | None = None
    log: Path | None = None
    cluster: str | None = None
    strict: bool = False
    """Whether a retired preset is an error."""


@dataclass
class BatchResult:
    """Every job's record, in the order of the file."""

    path: Path
    """The file batch.json."""
    records: dict[str, Record] = field(default_factory=dict)
    seconds: float = 0.0
    lost: bool = False
    """Whether batch.json or the log could not be written."""

    @property
    def failed(self) -> bool:
        """Whether any job of this run failed, missed its target, or was not begun because another one had failed."""
        return any(record["state"] in ("failed", "missed", "not run") for record in self.records.values())

    def record(self) -> Record:
        """As one JSON document."""
        return {
            "schema_version": SCHEMA_VERSION,
            "engine": __version__,
            "jobs": list(self.records.values()),
            "seconds": round(self.seconds, 3),
        }


def run_batch(
    jobs: Jobs,
    options: BatchOptions | None = None,
    *,
    ended: Callable[[Record], None] = lambda record: None,
    say: Callable[[str], None] = lambda text: None,
) -> BatchResult:
    """Run jobs; `ended` hears of each as it ends, `say` of what a person should know of the whole.

    Raises RecipeError, before any work, where two of them would write the same file.
    """
    return _Batch(jobs, options or BatchOptions(), ended, say).run()


class _Batch:
    def __init__(self, jobs: Jobs, options: BatchOptions, ended: Callable[[Record], None], say: Callable[[str], None]):
        self.jobs, self.options, self.ended = jobs, options, ended
        self.began, self.started = time.perf_counter(), time.time()
        self.said: list[str] = []
        self._say = say
        self.store = options.store.absolute() if options.store is not None else None
        self.log_file = options.log.absolute() if options.log is not None else None
        if self.store is not None:
            Store(self.store)  # it is there before workers look for it
        self.chosen = chosen_jobs(jobs, options.only, options.shard)
        check_folder(jobs.out)
        self.result = BatchResult(jobs.out / _name(options.shard))
        self.log = EventLog(self.log_file, "batch", say=self.say)
        self.ready: dict[str, Job] = {}
        self.paths: list[Path] = []
        self.gain_db: float | None = None
        self.workers = options.workers or processors_here()

    def say(self, text: str) -> None:
        """Report something once."""
        if text not in self.said:
            self.said.append(text)
            self._say(text)

    def run(self) -> BatchResult:
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
                    self._end({"job": job.name, "state": "not run", "seconds": 0.0, "error": "another job failed"})
        finally:
            self.result.seconds = time.perf_counter() - self.began
            self.record.close(self.result.seconds)
            self.log.close()
            for path in self.paths:  # of jobs whose worker was ended
                drop_dead(path)
            if self.store is not None:
                with suppress(ChainrunError, OSError):
                    Store(self.store).clean()
        self.result.records = {job.name: self.result.records[job.name] for job in self.chosen}
        self.result.lost = self.record.lost or self.log.lost
        return self.result

    def _take_up(self) -> list[Record]:
        """Open every job's recipe; the records of those that cannot be. Raises RecipeError for clashes."""
        inputs, bytes_of = _inputs(self.jobs)
        paths: list[tuple[str, Path]] = []
        unfit: list[Record] = []
        for job in self.chosen:
            try:
                opened = open_recipe(job.recipe, job.overrides)
                if self.options.strict:
                    refuse_retired(opened)
            except ChainrunError as error:
                unfit.append(failed_record(job, error, 0.0))
                continue
            self.ready[job.name] = job
            for folder in (job.out, *([job.out / BEFORE] if job.compare else [])):
                paths += [
                    (job.name, safely_resolved(path))
                    for path in (folder / one for one in delivery_files(opened, job.only))
                ]
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
                f"these jobs' prints take up to {n_bytes / GB:.2g} GB, and the store keeps {limit:g} GB: those of the "
                f"last jobs are rendered again every time; CHAINRUN_STORE_GB raises the limit"
            )

    def _end(self, record: Record) -> None:
        self.result.records[record["job"]] = record
        self.log.tell("job_end", **{key: record.get(key) for key in ("job", "state", "seconds", "error")})
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
        """The gain is that of the whole set, whatever part of it is rendered here."""
        measured: dict[str, Record] = {}
        others = {job.name: job for job in self.jobs.jobs if job.name not in self.ready}
        scheduler: Scheduler[JobTask, Record] = Scheduler(
            run_job,
            lambda name: self._task(name, measure_only=True),
            measured.__setitem__,
            lambda name, error: None,
        )
        self._drive(scheduler, others)
        for name in others:
            if "result" not in measured.get(name, {}):
                self.log.tell("warning", message=f"{name}: cannot be measured; the set's gain goes without it")
        self.gain_db = _gain_of_set(wanted, measured.values())

    def _run_jobs(self, stop: bool) -> None:
        def done(name: str, record: Record) -> None:
            self._end(record)
            if stop and record["state"] == "failed":
                scheduler.stop()

        def again(name: str) -> None:
            self.log.tell("warning", message=f"{name}: the worker process died; tried once more, alone")

        scheduler: Scheduler[JobTask, Record] = Scheduler(
            run_job,
            self._task,
            done,
            lambda name, error: self._end(failed_record(self.ready[name], error, 0.0)),
            begun=lambda name: self.log.tell("job_begin", job=name),
            again=again,
            stops=lambda error: stop,
        )
        self._drive(scheduler)

    def _drive(self, scheduler: Scheduler[JobTask, Record], others: Mapping[str, Job] | None = None) -> None:
        names = [*self.ready, *(others or {})]
        needs: dict[str, tuple[str, ...]] = dict.fromkeys(names, ())
        if self.options.cluster is None:
            scheduler.run(needs, self.workers if self._side_by_side else 1)
            return
        from chainrun.batch.cluster import run_on_cluster

        def told(text: str) -> None:
            self.say(text)
            self.log.tell("warning", message=text)

        recipes = [job.recipe for job in (*self.ready.values(), *(others or {}).values())]
        run_on_cluster(self.options.cluster, scheduler, needs, recipes, self.store, told)


def _inputs(jobs: Jobs) -> tuple[dict[Path, str], dict[str, int]]:
    """Every file that any job of the file reads, resolved, with the job; and about how large each job's prints are.

    What cannot be opened fails later, by name.
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
    """The error of a job that would write over what it or another job reads."""
    problems = [
        Problem(
            "a delivery would be written over an input",
            file=shown_path(path),
            given=f"written by {name}, read by {inputs[path]}",
            hint="give that job another out, or the delivery another name",
        )
        for name, path in paths
        if path in inputs
    ]
    return RecipeError(problems) if problems else None


def _gain_of_set(wanted: OneGain, records: Iterable[Record]) -> float:
    """The gain in dB that brings the loudest main to the target, if none of them passes the true peak by it."""
    mains = [one["result"]["nodes"]["main"]["measured"] for one in records if "result" in one]
    loudest = max((main["integrated_lufs"] for main in mains if main["integrated_lufs"] is not None), default=None)
    peak = max((main["true_peak_dbtp"] for main in mains if main["true_peak_dbtp"] is not None), default=None)
    if loudest is None or peak is None:
        return 0.0
    return float(min(wanted.target_lufs - loudest, wanted.max_dbtp - PEAK_MARGIN_DB - peak))


def _name(shard: str | None) -> str:
    if shard is None:
        return "batch.json"
    part, count = shard_of(shard)
    return f"batch.{part}-of-{count}.json"
