"""chainrun batch: many renders, restartable."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

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

if TYPE_CHECKING:
    from chainrun.batch import BatchResult

TOLD_ALWAYS = ("failed", "missed", "not run")
"""States that are reported with --quiet, too: what cron mails."""


def command(
    jobs: Annotated[Path, typer.Argument(help="A file of jobs, NIGHT.jobs.toml.", show_default=False)],
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
    from chainrun.batch import BatchOptions, open_jobs, run_batch

    place = place_of_page(report, embed)
    options = BatchOptions(workers, store_folder(store, no_store), fail_fast, only, shard, log, cluster, strict)

    def ended(record: dict[str, Any]) -> None:
        reason = f"  {record['error']}" if record.get("error") else ""
        if not quiet or record["state"] in TOLD_ALWAYS:
            talk(f"{record['state']:<7} {record['job']}  {record['seconds']:.1f} s{reason}")
        if not quiet and not record.get("kept"):
            for warning in record.get("result", {}).get("warnings", []):
                talk(f"note: {record['job']}: {warning}")

    result = run_batch(
        open_jobs(jobs, Limits.of(limit or ())), options, ended=ended, say=lambda text: talk(f"note: {text}")
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


def _counts(result: BatchResult) -> str:
    states = [record["state"] for record in result.records.values()]
    counts = ", ".join(f"{states.count(state)} {state}" for state in dict.fromkeys(states))
    return f"{counts} of {len(states)} in {result.seconds:.1f} s; all of it in {result.path}"


def _screen(result: BatchResult) -> str:
    rows = []
    for record in result.records.values():
        deliveries = record.get("result", {}).get("deliveries", [])
        measured = deliveries[0]["measured"] if deliveries else {}
        rows.append(
            [
                shortened(record["job"], 34),
                record["state"],
                number(measured.get("integrated_lufs"), 2),
                number(measured.get("true_peak_dbtp"), 2),
                f"{record['seconds']:.1f}",
            ]
        )
    moved = {name: record["moved"] for name, record in result.records.items() if record.get("moved")}
    more = ""
    if moved:
        order = sorted(moved, key=lambda name: -(moved[name]["residual_lu"] or -999.0))
        told = [
            [shortened(name, 28), number(moved[name]["residual_lu"]), f"{moved[name]['louder_lu']:+.1f}"]
            for name in order
        ]
        more = f"\n\n{table(['moved by the overlays', 'LU', 'louder'], told)}\n" + "\n".join(
            f"{name}: {moved[name]['verdict']}" for name in order if moved[name]["residual_lu"] is not None
        )
    head = ["job", "state", "LUFS", "dBTP", "s"]
    return f"{table(head, rows, left=2)}{more}\n\n{_counts(result)}"
