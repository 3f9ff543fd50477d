"""chainrun batch: renders from a file of jobs; a second run does only what is missing."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from chainrun.cli.options import (
    AllowRoots,
    AsJson,
    Embed,
    LimitWords,
    LogFile,
    NoStore,
    Quiet,
    Report,
    StoreFolder,
    Strict,
    Workers,
    limits_of,
    paths,
    place_of_page,
    several,
    store_folder,
    write_page,
    written,
)
from chainrun.cli.terminal import bad, doubtful, good, note, number, put, put_json, shortened, table, talk
from chainrun.errors import EXIT_DONE, EXIT_FAILED, EXIT_RESOURCES
from chainrun.measured import finite

if TYPE_CHECKING:
    from chainrun.batch.job_record import JobRecord
    from chainrun.batch.run import BatchResult


def command(
    jobs: Annotated[Path, typer.Argument(metavar="FILE", help="A file of jobs: NAME.jobs.toml.", show_default=False)],
    workers: Workers = None,
    fail_fast: Annotated[bool, typer.Option("--fail-fast", help="Start no more jobs after one has failed.")] = False,
    names: Annotated[list[str] | None, typer.Option("--jobs", metavar="NAMES", help="Run only these jobs.")] = None,
    shard: Annotated[
        str | None, typer.Option("--shard", metavar="K/N", help="Split the jobs into N parts, and run the K-th.")
    ] = None,
    cluster: Annotated[
        str | None,
        typer.Option("--cluster", metavar="WHERE", help="Workers of dask.distributed: local:N, or tcp://HOST:PORT."),
    ] = None,
    strict: Strict = False,
    store: StoreFolder = None,
    no_store: NoStore = False,
    allow_root: AllowRoots = None,
    limit: LimitWords = None,
    log: LogFile = None,
    report: Report = None,
    embed: Embed = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Render those jobs of a file that are new or changed.

    Exit 1 if a job failed or missed its target.
    """
    from chainrun.batch.jobs import open_jobs
    from chainrun.batch.run import BatchOptions, run_batch
    from chainrun.verify.changed import refuse_preset_warnings

    place = place_of_page(report, embed)
    options = BatchOptions(
        workers=workers,
        store=store_folder(store, no_store),
        fail_fast=fail_fast,
        jobs=several("--jobs", names),
        shard=shard,
        log=log,
        cluster=cluster,
        refuse=refuse_preset_warnings if strict else None,
    )
    opened = open_jobs(jobs, limits_of(limit), paths("--allow-root", allow_root))
    result = run_batch(opened, options, ended=lambda record: _show_end(record, quiet=quiet), say=note)
    page = None
    if place is not None:
        from chainrun.report.compared import batch_page

        page = write_page(batch_page(list(result.records.values()), f"Batch {jobs.name}", result.seconds), place)
    if as_json:
        put_json({**result.record(), "written": written(result.path, page)})
    else:
        put(_counts(result) if quiet else _screen(result))
    if result.lost:
        return EXIT_RESOURCES
    return EXIT_FAILED if result.failed else EXIT_DONE


def _show_end(record: JobRecord, *, quiet: bool) -> None:
    """Report the end of a job and its notes; with `quiet` only a job that needs attention, for the mail of cron."""
    if not quiet or not record.state.good:
        why = f"  {record.error}" if record.error else ""
        talk(f"{_state(record)}{' ' * (7 - len(record.state))} {record.job}  {record.seconds:.1f} s{why}")
    if not quiet and not record.kept and record.result is not None:
        for warning in record.result.warnings:
            note(f"{record.job}: {warning}")


def _state(record: JobRecord) -> str:
    if record.state.good:
        return good(record.state)
    return bad(record.state) if record.error else doubtful(record.state)


def _counts(result: BatchResult) -> str:
    from chainrun.batch.job_record import counts

    records = list(result.records.values())
    return f"{counts(records)} of {len(records)} in {result.seconds:.1f} s; details in {result.path}"


def _screen(result: BatchResult) -> str:
    head = ["job", "state", "integrated\nLUFS", "true peak\ndBTP", "run time\ns"]
    rows = [_row(record) for record in result.records.values()]
    return f"{table(head, rows, left=2)}{_moved(result)}\n\n{_counts(result)}"


def _row(record: JobRecord) -> list[str]:
    deliveries = record.result.deliveries if record.result is not None else ()
    measured = deliveries[0].measured if deliveries else None
    return [
        shortened(record.job, 34),
        _state(record),
        number(finite(measured.integrated_lufs) if measured is not None else None, 2),
        number(finite(measured.true_peak_dbtp) if measured is not None else None, 2),
        f"{record.seconds:.1f}",
    ]


def _moved(result: BatchResult) -> str:
    """A table of what the overlays changed in each job, the largest change first; empty where none was compared."""
    moved = [(name, record.difference) for name, record in result.records.items() if record.difference is not None]
    if not moved:
        return ""
    moved.sort(key=lambda one: -(one[1].residual_lu or -999.0))
    rows = [[shortened(name, 28), number(one.residual_lu), f"{one.level_change_lu:+.1f}"] for name, one in moved]
    verdicts = [f"{name}: {one.verdict}" for name, one in moved if one.residual_lu is not None or one.file is not None]
    return f"\n\n{table(['changed by the overlays', 'residual LU', 'louder LU'], rows)}\n" + "\n".join(verdicts)
