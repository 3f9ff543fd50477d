"""chainrun render: the main job."""

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
    Overlays,
    Quiet,
    Recipes,
    Report,
    Sets,
    StoreFolder,
    Strict,
    Variant,
    Workers,
    overrides,
    place_of_page,
    refuse,
    store_folder,
)
from chainrun.cli.terminal import ProgressLine, number, problem_records, put, put_json, shortened, table, talk
from chainrun.errors import EXIT_DONE, EXIT_FAILED, ChainrunError
from chainrun.problem_codes import Code

if TYPE_CHECKING:
    from chainrun.contract import Reading, WetLevel
    from chainrun.delivery import RenderResult
    from chainrun.renders import RenderedRecipe


def command(
    recipes: Recipes,
    out: Annotated[Path, typer.Option("--out", "-o", metavar="DIR", help="Output folder.")] = Path("out"),
    variant: Variant = None,
    overlay: Overlays = None,
    set_: Sets = None,
    only: Annotated[
        str | None,
        typer.Option("--only", metavar="NAMES", help="Stems or buses, with commas; the rest is mute."),
    ] = None,
    from_: Annotated[
        float | None,
        typer.Option("--from", metavar="S", help="Deliver a stretch: from this second of the session on, …"),
    ] = None,
    to: Annotated[float | None, typer.Option("--to", metavar="S", help="… and to this one.")] = None,
    workers: Workers = None,
    store: StoreFolder = None,
    no_store: NoStore = False,
    log: LogFile = None,
    allow_root: AllowRoots = None,
    limit: LimitWords = None,
    strict: Strict = False,
    report: Report = None,
    embed: Embed = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Render recipes: stems through their chains to measured files."""
    from chainrun.engine import EventLog
    from chainrun.renders import RendersOptions, render_recipes

    if report is not None and (len(recipes) > 1 or from_ is not None or to is not None):
        raise refuse("--report goes with one recipe, rendered as a whole", code=Code.OPTIONS_CLASH)
    place = place_of_page(report, embed)
    solo = tuple(dict.fromkeys(name.strip() for name in only.split(","))) if only else ()
    options = RendersOptions(solo, from_, to, workers, store_folder(store, no_store), strict, place)
    chosen = overrides(variant, overlay, set_, allow_root, limit)
    events, line = EventLog(log), ProgressLine(quiet=quiet or as_json)

    def ended(one: RenderedRecipe) -> None:
        line.done()
        if not as_json:
            _show(one)

    try:
        say = None if quiet or as_json else talk
        done = render_recipes(recipes, out, chosen, options, log=events, progress=line.node, say=say, ended=ended)
    except ChainrunError as error:
        events.record("error", problems=problem_records(error.problems), exit_code=error.exit_code)
        raise
    finally:
        line.done()
        events.close()
    if as_json:
        records = [one.result.record() for one in done]
        put_json(records[0] if len(records) == 1 else {"schema_version": 1, "results": records})
    return EXIT_FAILED if any(one.result.failures for one in done) else EXIT_DONE


def _show(one: RenderedRecipe) -> None:
    """Show what came out of a recipe."""
    if one.page is not None:
        talk(f"wrote {one.page}")
    for warning in [*one.result.warnings, *one.result.failures]:
        talk(f"note: {warning}")
    put(_screen(one.result))


def _step(reading: Reading | WetLevel) -> str:
    """A step as the recipe calls it: `door (gate)`, `glue.compressor`."""
    named = reading.named.removeprefix("chain.")
    return named if named.endswith(reading.do) else f"{named} ({reading.do})"


def _step_tables(result: RenderResult) -> list[str]:
    """Measurements of the steps: gain reduction, and wet signals against dry ones."""
    worked, wet = [], []
    for node in result.nodes:
        name = shortened(node.name, 24)
        for one in node.readings:
            worked.append(
                [
                    name,
                    shortened(_step(one), 34),
                    f"{one.gain_reduction_max_db:.1f}",
                    f"{one.gain_reduction_mean_db:.1f}",
                    f"{one.gain_reduction_working_pct:.0f}",
                ]
            )
        for level in node.wet_levels:
            wet.append([name, shortened(_step(level), 34), number(level.wet_to_dry_db), f"{level.mix_pct:g}"])
    lines = []
    if worked:
        head = ["node", "gain reduction", "most dB", "mean dB", "% of time"]
        lines += [table(head, worked, left=2), ""]
    if wet:
        lines += [table(["node", "wet signal", "dB against dry", "mix %"], wet, left=2), ""]
    return lines


def _screen(result: RenderResult) -> str:
    """The result for a person: a row a node, then the files."""
    rows = []
    for node in result.nodes:
        measured = node.measured
        name = shortened(node.name, 24)
        rows.append([name, node.kind, number(measured.sample_peak_dbfs), number(measured.integrated_lufs)])
    lines = [table(["node", "kind", "peak dBFS", "LUFS"], rows, left=2), "", *_step_tables(result)]
    files = []
    for file in result.deliveries:
        measured = file.measured
        files.append(
            [
                shortened(file.file, 40, keep_end=True),
                number(measured.integrated_lufs, 2),
                number(measured.true_peak_dbtp, 2),
                f"{file.gain_db:+.2f}",
                f"{measured.n_frames / measured.rate_hz:.2f}",
            ]
        )
    lines.append(table(["file", "LUFS", "dBTP", "gain dB", "s"], files))
    lines.append("")
    for file in result.deliveries:
        if file.gain_of:
            name = shortened(file.file, 40, keep_end=True)
            lines.append(f"{name}: at the gain of {file.gain_of}, {file.gain_db:+.2f} dB")
        if file.limited_max_db is not None:
            name = shortened(file.file, 40, keep_end=True)
            lines.append(f"{name}: the limiter takes {file.limited_max_db:.1f} dB at most")
    kept = sum(node.from_store for node in result.nodes)
    if kept:
        lines.append(f"{kept} of {len(result.nodes)} prints were kept from before")
    lines.append(
        f"{result.length_s:.1f} s of music in {result.seconds:.2f} s: {result.times_real_time:.1f} times real time"
    )
    return "\n".join(lines)
