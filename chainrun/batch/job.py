"""Runs one job of a batch in any process; skips it if its files would come out the same."""

from __future__ import annotations

import hashlib
import json
import time
from dataclasses import dataclass, replace
from pathlib import Path

from chainrun.batch.job_record import ChangeByOverlays, JobFile, JobRecord, JobState
from chainrun.batch.jobs import Job
from chainrun.batch.summary import RenderSummary
from chainrun.comparison.before_after import largest_change
from chainrun.defect import report_defect, wants_traceback
from chainrun.delivery import RenderOptions, RenderResult, render
from chainrun.engine import EventLog
from chainrun.errors import ChainrunError, Problem, ResourceError
from chainrun.measured import finite
from chainrun.plan import Plan, build_plan
from chainrun.problem_codes import Code
from chainrun.recipe import open_recipe
from chainrun.store import Store, hasher
from chainrun.whole_file import drop_dead

BEFORE = "before"
"""Subfolder of a job's output for its render without overlays."""


@dataclass(frozen=True)
class JobTask:
    """All that a worker needs to run a job."""

    job: Job
    store: Path | None
    workers: int
    log: Path | None
    before: JobRecord | None
    """The job's record from the last run."""
    gain_db: float | None = None
    """Gain shared by the whole set; None for the job's own."""
    measure_only: bool = False
    used_at: float | None = None
    """Time of use to note for its prints."""


def run_job(task: JobTask) -> JobRecord:
    """Render one job, unless its files would come out the same. Errors become part of the record."""
    began = time.perf_counter()
    log = EventLog(task.log, task.job.name, say=lambda _text: None)  # the batch runner reports an unwritable log
    try:
        return _run(task, log, began)
    except Exception as error:  # an error of one job, even a defect, must not end the batch
        failure = _failure(error)
        log.record("error", problems=[one.record() for one in failure.problems], exit_code=failure.exit_code)
        return JobRecord.failed(task.job.name, failure, time.perf_counter() - began)
    finally:
        log.close()


def _failure(error: Exception) -> ChainrunError:
    """An error for a job's record. The text of a defect is left out: it may contain the user's names."""
    if isinstance(error, ChainrunError):
        return error
    if isinstance(error, MemoryError):
        return ResourceError(Problem("there is not enough memory", code=Code.OUT_OF_MEMORY))
    if isinstance(error, OSError):
        message = f"a file could not be written or read ({error.strerror})"
        return ResourceError(Problem(message, file=str(error.filename or ""), code=Code.READING_OR_WRITING_FAILED))
    if wants_traceback():
        raise error
    return ChainrunError(Problem(report_defect(error, ["batch"]), code=Code.DEFECT))


def _run(task: JobTask, log: EventLog, began: float) -> JobRecord:
    job = task.job
    opened = open_recipe(job.recipe, job.overrides)
    plan = build_plan(opened, only=job.only, hash_file=hasher(task.store))
    paths = [job.out / path for spec in plan.deliveries for path in spec.files]
    fingerprint = _fingerprint(task, plan, paths)
    if not task.measure_only and task.before is not None and task.before.holds(fingerprint):
        for path in paths:
            drop_dead(path)
        return task.before.kept_again(time.perf_counter() - began)
    options = RenderOptions(
        workers=task.workers,
        store=task.store,
        gain_db=task.gain_db,
        measure_only=task.measure_only,
        used_at=task.used_at,
    )
    rendered = render(plan, job.out, options, log=log)
    if task.store is not None and not task.measure_only:
        Store(task.store).note_render(job.recipe, job.overrides.variant)
    difference = _difference(job, rendered, options) if job.compare and not task.measure_only else None
    return JobRecord(
        job=job.name,
        state=JobState.MISSED if rendered.failures else JobState.DONE,
        seconds=round(time.perf_counter() - began, 3),
        error="; ".join(rendered.failures) or None,
        fingerprint=fingerprint,
        files=() if task.measure_only else tuple(map(JobFile.of, paths)),
        difference=difference,
        result=RenderSummary.of(rendered),
    )


def _difference(job: Job, rendered: RenderResult, options: RenderOptions) -> ChangeByOverlays:
    """Compare with a render without overlays, kept in BEFORE; the delivery that changes most counts."""
    without = open_recipe(job.recipe, replace(job.overrides, overlays=()))
    plan = build_plan(without, only=job.only, hash_file=hasher(options.store))
    before = render(plan, job.out / BEFORE, options)
    worst = largest_change(before.deliveries, rendered.deliveries)
    if worst is None:
        return ChangeByOverlays()
    return ChangeByOverlays(
        residual_lu=finite(worst.difference.residual_lu),
        level_change_lu=round(-worst.difference.gain_db, 2),
        verdict=worst.difference.sentence(),
        file=worst.after.name,
    )


def _fingerprint(task: JobTask, plan: Plan, paths: list[Path]) -> str:
    """Hash of all that determines a job's files: recipe, stems, engine, gain of the set, and output paths."""
    job = task.job
    prints = [node.identity for node in plan.nodes]
    files = [str(path) for path in paths]
    text = json.dumps([plan.recipe_hash, prints, task.gain_db, job.compare, files])
    return hashlib.sha256(text.encode()).hexdigest()
