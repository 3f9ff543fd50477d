"""Runs the jobs: what is not done or changed, side by side, with a record that the next run reads."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from chainrun import __version__
from chainrun.audiofile.read import hash_content
from chainrun.batch.jobs import Job, Jobs, OneGain, chosen_jobs, clash, shard_of
from chainrun.comparison.difference import difference
from chainrun.engine import EventLog, RenderOptions, RenderResult, render
from chainrun.engine.crew import Crew, processors_here
from chainrun.engine.deliver import PEAK_MARGIN_DB, check_folder
from chainrun.engine.fingerprint import surroundings
from chainrun.engine.orders import delivery_paths, input_files, recipe_hash, stems_of
from chainrun.engine.store import Store, stamp
from chainrun.errors import EXIT_DEFECT, EXIT_RESOURCES, ChainrunError, Problem, RecipeError, ResourceError, shown_path
from chainrun.plan import build_plan
from chainrun.recipe import Opened, open_recipe
from chainrun.recipe.load import refuse_retired
from chainrun.recipe.roots import safely_resolved
from chainrun.whole_file import drop_dead, write_whole

SCHEMA_VERSION = 1
BEFORE = "before"
"""Where a job's files without its overlays lie, inside its own folder."""
Record = dict[str, Any]
NO_JOBS: Mapping[str, Job] = {}


@dataclass(frozen=True)
class BatchOptions:
    """What the command line may say about a batch."""

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
    """Of batch.json."""
    records: dict[str, Record] = field(default_factory=dict)
    seconds: float = 0.0

    @property
    def failed(self) -> bool:
        """Whether any job of this run failed, or was not begun because another one had."""
        return any(record["state"] in ("failed", "not run") for record in self.records.values())

    def record(self) -> Record:
        """As one JSON document."""
        return {
            "schema_version": SCHEMA_VERSION,
            "engine": __version__,
            "jobs": list(self.records.values()),
            "seconds": round(self.seconds, 3),
        }


@dataclass(frozen=True)
class JobTask:
    """All that a worker needs to run a job."""

    job: Job
    store: Path | None
    workers: int
    log: Path | None
    before: Record | None
    """What the last run wrote of this job."""
    gain_db: float | None = None
    """Of the whole set."""
    measure_only: bool = False


def run_batch(
    jobs: Jobs,
    options: BatchOptions | None = None,
    *,
    ended: Callable[[Record], None] = lambda record: None,
) -> BatchResult:
    """Run jobs; `ended` hears of each as it ends.

    Raises RecipeError, before any work, where two of them would write the same file.
    """
    options = options or BatchOptions()
    began = time.perf_counter()
    store = options.store.absolute() if options.store is not None else None
    log_file = options.log.absolute() if options.log is not None else None
    if store is not None:
        Store(store)  # it is there before workers look for it
    chosen = chosen_jobs(jobs, options.only, options.shard)
    check_folder(jobs.out)
    result = BatchResult(jobs.out / _name(options.shard))
    before = _read_before(result.path)
    log = EventLog(log_file, "batch")

    def end(record: Record) -> None:
        result.records[record["job"]] = record
        log.tell("job_end", **{key: record.get(key) for key in ("job", "state", "seconds", "error")})
        result.seconds = time.perf_counter() - began
        _write(result, jobs, before)
        ended(record)

    inputs = _inputs(jobs)
    ready: dict[str, Job] = {}
    paths: list[tuple[str, Path]] = []
    unfit: list[Record] = []
    for job in chosen:
        try:
            opened = open_recipe(job.recipe, job.overrides)
            if options.strict:
                refuse_retired(opened)
        except ChainrunError as error:
            unfit.append(_failed(job, error, 0.0))
            continue
        ready[job.name] = job
        for folder in (job.out, *([job.out / BEFORE] if job.compare else [])):
            paths += [(job.name, safely_resolved(path)) for path in delivery_paths(opened, folder, job.only)]
    problem = clash([("the batch's own record", safely_resolved(result.path)), *paths]) or _over_inputs(paths, inputs)
    if problem is not None:
        raise problem
    stop = jobs.stop_on_error or options.fail_fast
    for record in unfit:
        end(record)
    workers = options.workers or processors_here()
    side_by_side = len(ready) > 1 or options.cluster is not None

    def make(name: str) -> JobTask:
        return JobTask(ready[name], store, 1 if side_by_side else workers, log_file, before.get(name), gain_db)

    def make_measured(name: str) -> JobTask:
        job = next(job for job in jobs.jobs if job.name == name)
        return JobTask(job, store, 1 if side_by_side else workers, log_file, None, None, True)

    def drive(crew: Crew[JobTask, Record], more: Mapping[str, Job] = NO_JOBS) -> None:
        needs: dict[str, tuple[str, ...]] = dict.fromkeys([*ready, *more], ())
        if options.cluster is not None:
            from chainrun.batch.cluster import run_on_cluster

            run_on_cluster(
                options.cluster, crew, needs, [job.recipe for job in (*ready.values(), *more.values())], store
            )
        else:
            crew.run(needs, workers if side_by_side else 1)

    gain_db: float | None = None
    measured: dict[str, Record] = {}

    def done(name: str, record: Record) -> None:
        end(record)
        if stop and record["state"] == "failed":
            crew.stop()

    crew: Crew[JobTask, Record] = Crew(
        run_job,
        make,
        done,
        lambda name, error: end(_failed(ready[name], error, 0.0)),
        begun=lambda name: log.tell("job_begin", job=name),
        again=lambda name: log.tell("warning", message=f"{name}: the worker process died; tried once more, alone"),
        stops=lambda error: stop,
    )
    try:
        if not (stop and unfit):
            if jobs.one_gain is not None:
                # The gain is that of the whole set, whatever part of it is rendered here.
                whole = {job.name: job for job in jobs.jobs if job.name not in ready}
                drive(Crew(run_job, make_measured, measured.__setitem__, lambda name, error: None), whole)
                for name in whole:
                    if "result" not in measured.get(name, {}):
                        log.tell("warning", message=f"{name}: cannot be measured; the set's gain goes without it")
                gain_db = _gain_of_set(jobs.one_gain, measured.values())
            drive(crew)
        for job in chosen:
            if job.name not in result.records:
                end({"job": job.name, "state": "not run", "seconds": 0.0, "error": "another job failed"})
    finally:
        log.close()
    result.records = {job.name: result.records[job.name] for job in chosen}
    result.seconds = time.perf_counter() - began
    _write(result, jobs, before)
    return result


def _inputs(jobs: Jobs) -> dict[Path, str]:
    """Every file that any job of the file reads, resolved, with the job; what cannot be opened fails later, by name."""
    found = {safely_resolved(jobs.path): "the file of jobs"}
    for job in jobs.jobs:
        try:
            opened = open_recipe(job.recipe, job.overrides)
            found |= dict.fromkeys(map(safely_resolved, opened.files()), job.name)
            found |= dict.fromkeys(input_files(opened, build_plan(opened)), job.name)
        except ChainrunError:
            continue
    return found


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


def run_job(task: JobTask) -> Record:
    """Render one job, unless its last run made the same. Errors become part of the record."""
    job, began = task.job, time.perf_counter()
    log = EventLog(task.log, job.name)
    try:
        opened = open_recipe(job.recipe, job.overrides)
        fingerprint = _fingerprint(task, job)
        if not task.measure_only and task.before is not None and _is_done(task.before, fingerprint):
            for path in _files(job, opened):
                drop_dead(path)
            return {**task.before, "state": "kept", "seconds": round(time.perf_counter() - began, 3)}
        options = RenderOptions(
            only=job.only,
            workers=task.workers,
            store=task.store,
            gain_db=task.gain_db,
            measure_only=task.measure_only,
        )
        rendered = render(opened, job.out, options, log=log)
        if task.store is not None and not task.measure_only:
            Store(task.store).note_render(job.recipe, job.overrides.variant)
        record = rendered.record()
        moved = _moved(job, rendered, options) if job.compare and not task.measure_only else None
        for node in record["nodes"].values():
            node.pop("readings")  # their curves would make a long night's record huge
        return {
            "job": job.name,
            "state": "failed" if rendered.failures else "done",
            "seconds": round(time.perf_counter() - began, 3),
            "error": "; ".join(rendered.failures) or None,
            "fingerprint": fingerprint,
            "files": [] if task.measure_only else [_file_record(path) for path in _files(job, opened)],
            "moved": moved,
            "result": record,
        }
    except ChainrunError as error:
        log.tell("error", problems=[one.record() for one in error.problems], exit_code=error.exit_code)
        return _failed(job, error, time.perf_counter() - began)
    except MemoryError:
        return _failed(job, ResourceError(Problem("there is not enough memory")), time.perf_counter() - began)
    except OSError as found:
        told = ResourceError(Problem(f"could not write or read ({found.strerror})", file=str(found.filename or "")))
        return _failed(job, told, time.perf_counter() - began)
    except Exception as defect:  # one job's defect must not end the night
        record = _failed(job, None, time.perf_counter() - began)
        return {
            **record,
            "error": f"chainrun has a defect: {type(defect).__name__}: {defect}",
            "exit_code": EXIT_DEFECT,
        }
    finally:
        log.close()


def _files(job: Job, opened: Opened) -> list[Path]:
    return delivery_paths(opened, job.out, job.only)


def _moved(job: Job, rendered: RenderResult, options: RenderOptions) -> Record:
    """What the overlays change: the delivery that moves most, against the same without them, which is kept beside."""
    before = render(open_recipe(job.recipe, replace(job.overrides, overlays=())), job.out / BEFORE, options)
    worst: Record = {"residual_lu": None, "louder_lu": 0.0, "verdict": "the same samples", "file": None}
    for was, now in zip(before.deliveries, rendered.deliveries, strict=False):
        if was.pcm_sha256 == now.pcm_sha256:
            continue
        found = difference(Path(was.file), Path(now.file))
        if worst["residual_lu"] is None or found.residual_lu > worst["residual_lu"]:
            worst = {
                "residual_lu": round(max(-200.0, min(99.0, found.residual_lu)), 2),
                "louder_lu": round(-found.gain_db, 2),
                "verdict": found.sentence(),
                "file": Path(now.file).name,
            }
    return worst


def _failed(job: Job, error: ChainrunError | None, seconds: float) -> Record:
    problems = error.problems if error is not None else []
    return {
        "job": job.name,
        "state": "failed",
        "seconds": round(seconds, 3),
        "error": problems[0].text().splitlines()[0] if problems else None,
        "problems": [one.record() for one in problems],
        "exit_code": error.exit_code if error is not None else EXIT_RESOURCES,
    }


def _fingerprint(task: JobTask, job: Job) -> str:
    """Hash of all that determines a job's files: recipe, stems, what is left of them, engine, and where they go."""
    opened = open_recipe(job.recipe, job.overrides)
    hash_file = Store(task.store).hash_file if task.store is not None else hash_content
    around = surroundings(RenderOptions().block_frames)
    plan = build_plan(opened, only=stems_of(opened, job.only), hash_file=hash_file, surroundings=around)
    prints = [node.identity for node in plan.nodes]
    text = json.dumps(
        [
            recipe_hash(opened, plan),
            prints,
            task.gain_db,
            job.compare,
            [str(path) for path in _files(job, opened)],
        ]
    )
    return hashlib.sha256(text.encode()).hexdigest()


def _is_done(before: Record, fingerprint: str) -> bool:
    if before.get("state") not in ("done", "kept") or before.get("fingerprint") != fingerprint:
        return False
    return all(_is_the_file(one) for one in before["files"])


def _file_record(path: Path) -> Record:
    return {"file": str(path), "sha256": hash_content(path), "stamp": list(stamp(path))}


def _is_the_file(record: Mapping[str, Any]) -> bool:
    path = Path(record["file"])
    try:
        if list(stamp(path)) == record["stamp"]:
            return True
        return hash_content(path) == str(record["sha256"])
    except (OSError, ChainrunError):
        return False


def _name(shard: str | None) -> str:
    if shard is None:
        return "batch.json"
    part, count = shard_of(shard)
    return f"batch.{part}-of-{count}.json"


def _read_before(path: Path) -> dict[str, Record]:
    """The records of the last run; nothing where there was none, or its file is damaged."""
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        return {record["job"]: record for record in document["jobs"]}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def _write(result: BatchResult, jobs: Jobs, before: Mapping[str, Record]) -> None:
    """Write batch.json: this run's records, and the earlier ones of jobs that this run has not (yet) run."""
    # What was not begun this time stays as the last run left it.
    begun = {name: one for name, one in result.records.items() if one["state"] != "not run" or name not in before}
    known = {**before, **begun}
    records = [known[job.name] for job in jobs.jobs if job.name in known]
    document = {**result.record(), "jobs": records}
    write_whole(result.path, json.dumps(document, indent=1, allow_nan=False), "the batch's record")
