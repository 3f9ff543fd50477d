"""One job of a batch: rendered, unless its last run made the same; a function of plain data, for any process."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from chainrun.audiofile.read import hash_content
from chainrun.batch.jobs import Job
from chainrun.batch.record import Record
from chainrun.comparison.difference import difference
from chainrun.delivery import RenderOptions, RenderResult, render
from chainrun.engine import EventLog
from chainrun.errors import EXIT_DEFECT, EXIT_RESOURCES, ChainrunError, Problem, ResourceError
from chainrun.plan import Plan, build_plan
from chainrun.recipe import open_recipe
from chainrun.store import hasher
from chainrun.store.store import Store
from chainrun.whole_file import drop_dead, stamp

BEFORE = "before"
"""Where a job's files without its overlays lie, inside its own folder."""


@dataclass(frozen=True)
class JobTask:
    """All that a worker needs to run a job."""

    job: Job
    store: Path | None
    workers: int
    log: Path | None
    before: Record | None
    """The job's record of the last run."""
    gain_db: float | None = None
    """The gain that the whole set shares; None for the job's own."""
    measure_only: bool = False
    used_at: float | None = None
    """When its prints count as used."""


def run_job(task: JobTask) -> Record:
    """Render one job, unless its last run made the same. Errors become part of the record."""
    job, began = task.job, time.perf_counter()
    log = EventLog(task.log, job.name, say=lambda text: None)  # the batch itself reports a log that is lost
    try:
        opened = open_recipe(job.recipe, job.overrides)
        plan = build_plan(opened, only=job.only, hash_file=hasher(task.store))
        fingerprint = _fingerprint(task, plan)
        if not task.measure_only and task.before is not None and _is_done(task.before, fingerprint):
            for path in _files(job, plan):
                drop_dead(path)
            state = "missed" if task.before["state"] == "missed" else "kept"
            return {**task.before, "state": state, "kept": True, "seconds": round(time.perf_counter() - began, 3)}
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
        record = rendered.record()
        moved = _moved(job, rendered, options) if job.compare and not task.measure_only else None
        for node in record["nodes"].values():
            node.pop("readings")  # their curves would make a long night's record huge
        return {
            "job": job.name,
            "state": "missed" if rendered.failures else "done",
            "kept": False,
            "seconds": round(time.perf_counter() - began, 3),
            "error": "; ".join(rendered.failures) or None,
            "fingerprint": fingerprint,
            "files": [] if task.measure_only else [_file_record(path) for path in _files(job, plan)],
            "moved": moved,
            "result": record,
        }
    except ChainrunError as error:
        log.tell("error", problems=[one.record() for one in error.problems], exit_code=error.exit_code)
        return failed_record(job, error, time.perf_counter() - began)
    except MemoryError:
        return failed_record(job, ResourceError(Problem("there is not enough memory")), time.perf_counter() - began)
    except OSError as found:
        told = ResourceError(Problem(f"could not write or read ({found.strerror})", file=str(found.filename or "")))
        return failed_record(job, told, time.perf_counter() - began)
    except Exception as defect:  # one job's defect must not end the night
        record = failed_record(job, None, time.perf_counter() - began)
        return {
            **record,
            "error": f"chainrun has a defect: {type(defect).__name__}: {defect}",
            "exit_code": EXIT_DEFECT,
        }
    finally:
        log.close()


def _files(job: Job, plan: Plan) -> list[Path]:
    return [job.out / path for spec in plan.deliveries for path in spec.files]


def _moved(job: Job, rendered: RenderResult, options: RenderOptions) -> Record:
    """How far the overlays move the delivery that moves most. The renders without them are kept in BEFORE."""
    without = open_recipe(job.recipe, replace(job.overrides, overlays=()))
    plan = build_plan(without, only=job.only, hash_file=hasher(options.store))
    before = render(plan, job.out / BEFORE, options)
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


def failed_record(job: Job, error: ChainrunError | None, seconds: float) -> Record:
    """The record of a job that failed."""
    problems = error.problems if error is not None else []
    return {
        "job": job.name,
        "state": "failed",
        "seconds": round(seconds, 3),
        "error": problems[0].text().splitlines()[0] if problems else None,
        "problems": [one.record() for one in problems],
        "exit_code": error.exit_code if error is not None else EXIT_RESOURCES,
    }


def _fingerprint(task: JobTask, plan: Plan) -> str:
    """Hash of all that determines a job's files: recipe, stems, what is left of them, engine, and where they go."""
    job = task.job
    prints = [node.identity for node in plan.nodes]
    text = json.dumps(
        [
            plan.recipe_hash,
            prints,
            task.gain_db,
            job.compare,
            [str(path) for path in _files(job, plan)],
        ]
    )
    return hashlib.sha256(text.encode()).hexdigest()


def _is_done(before: Record, fingerprint: str) -> bool:
    if before.get("state") not in ("done", "kept", "missed") or before.get("fingerprint") != fingerprint:
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
