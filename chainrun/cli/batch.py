"""chainrun batch: many renders, restartable."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from chainrun.cli.options import (
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
    place_of_page,
    store_folder,
)
from chainrun.cli.terminal import number, put, put_json, shortened, table, talk
from chainrun.errors import EXIT_DONE, EXIT_FAILED, EXIT_RESOURCES
from chainrun.limits import Limits
from chainrun.measured import finite

if TYPE_CHECKING:
    from chainrun.batch.job_record import JobRecord
    from chainrun.batch.run import BatchResult


def command(
    jobs: Annotated[Path, typer.Argument(help="A file of jobs, NAME.jobs.toml.", show_default=False)],
    workers: Workers = None,
    fail_fast: Annotated[bool, typer.Option("--fail-fast", help="Begin no more jobs after one failed.")] = False,
    only: Annotated[str | None, typer.Option("--only", metavar="NAMES", help="These jobs, with commas.")] = None,
    shard: Annotated[
        str | None, typer.Option("--shard", metavar="K/N", help="The K-th of N shares of the jobs.")
    ] = None,
    cluster: Annotated[
        str | None,
        typer.Option("--cluster", metavar="WHERE", help="local:N or tcp://HOST:PORT: workers of dask.distributed."),
    ] = None,
    strict: Strict = False,
    store: StoreFolder = None,
    no_store: NoStore = False,
    limit: LimitWords = None,
    log: LogFile = None,
    report: Report = None,
    embed: Embed = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Run a file of jobs: what is not done or has changed since the last run."""
    from chainrun.batch.jobs import open_jobs
    from chainrun.batch.run import BatchOptions, run_batch

    place = place_of_page(report, embed)
    options = BatchOptions(workers, store_folder(store, no_store), fail_fast, only, shard, log, cluster, strict)

    result = run_batch(
        open_jobs(jobs, Limits.of(limit or ())),
        options,
        ended=lambda record: _tell(record, quiet=quiet),
        say=lambda text: talk(f"note: {text}"),
    )
    if place is not None:
        from chainrun.report.compared import batch_page
        from chainrun.report.page import write_page

        page = batch_page(list(result.records.values()), f"Batch {jobs.name}", result.seconds)
        talk(f"wrote {write_page(page, place)}")
    if as_json:
        put_json(result.record())
    else:
        put(_counts(result) if quiet else _screen(result))
    if result.lost:
        return EXIT_RESOURCES
    return EXIT_FAILED if result.failed else EXIT_DONE


def _tell(record: JobRecord, *, quiet: bool) -> None:
    """A line as a job ends, and its notes; with --quiet those alone that somebody must look at: what cron mails."""
    if not quiet or not record.state.good:
        why = f"  {record.error}" if record.error else ""
        talk(f"{record.state:<7} {record.job}  {record.seconds:.1f} s{why}")
    if not quiet and not record.kept and record.result is not None:
        for warning in record.result.warnings:
            talk(f"note: {record.job}: {warning}")


def _counts(result: BatchResult) -> str:
    from chainrun.batch.job_record import counts

    records = list(result.records.values())
    return f"{counts(records)} of {len(records)} in {result.seconds:.1f} s; all of it in {result.path}"


def _screen(result: BatchResult) -> str:
    head = ["job", "state", "LUFS", "dBTP", "s"]
    rows = [_row(record) for record in result.records.values()]
    return f"{table(head, rows, left=2)}{_moved(result)}\n\n{_counts(result)}"


def _row(record: JobRecord) -> list[str]:
    deliveries = record.result.deliveries if record.result is not None else ()
    measured = deliveries[0].measured if deliveries else None
    return [
        shortened(record.job, 34),
        record.state,
        number(finite(measured.integrated_lufs) if measured is not None else None, 2),
        number(finite(measured.true_peak_dbtp) if measured is not None else None, 2),
        f"{record.seconds:.1f}",
    ]


def _moved(result: BatchResult) -> str:
    """A table of how far the overlays moved each job, the largest move first; empty where no job was compared."""
    moved = [(name, record.difference) for name, record in result.records.items() if record.difference is not None]
    if not moved:
        return ""
    moved.sort(key=lambda one: -(one[1].residual_lu or -999.0))
    rows = [[shortened(name, 28), number(one.residual_lu), f"{one.level_change_lu:+.1f}"] for name, one in moved]
    verdicts = [f"{name}: {one.verdict}" for name, one in moved if one.residual_lu is not None or one.file is not None]
    return f"\n\n{table(['changed by the overlays', 'residual LU', 'level LU'], rows)}\n" + "\n".join(verdicts)
