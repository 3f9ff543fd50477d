"""chainrun render: recipes to measured audio files."""

from __future__ import annotations

import shlex
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
    Only,
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
    recipe_files,
    refuse,
    several,
    store_folder,
    written,
)
from chainrun.cli.progress import ProgressLines
from chainrun.cli.terminal import (
    bad,
    doubtful,
    good,
    note,
    number,
    problem_records,
    put,
    put_json,
    shortened,
    table,
    talk,
)
from chainrun.errors import EXIT_DONE, EXIT_FAILED, ChainrunError, shown_path
from chainrun.problem_codes import Code

if TYPE_CHECKING:
    from chainrun.contract import Reading, WetLevel
    from chainrun.delivery import RenderResult
    from chainrun.recipe import Overrides
    from chainrun.renders import RenderedRecipe


def command(
    recipes: Recipes,
    out: Annotated[Path, typer.Option("--out", "-o", metavar="DIR", help="Output folder.")] = Path("out"),
    variant: Variant = None,
    overlay: Overlays = None,
    set_: Sets = None,
    only: Only = None,
    from_: Annotated[
        float | None, typer.Option("--from", metavar="S", help="Deliver the session from this second on.")
    ] = None,
    to: Annotated[float | None, typer.Option("--to", metavar="S", help="Deliver it up to this second.")] = None,
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
    """Render recipes to measured audio files.

    Exit 1 if a file missed its target; the file is kept.
    """
    from chainrun.engine import EventLog
    from chainrun.renders import RendersOptions, render_recipes

    files = recipe_files(recipes)
    if report is not None and (len(files) > 1 or from_ is not None or to is not None):
        raise refuse("--report needs one recipe, without --from and --to", code=Code.OPTIONS_CLASH)
    place = place_of_page(report, embed)
    options = RendersOptions(several("--only", only), from_, to, workers, store_folder(store, no_store), strict, place)
    chosen = overrides(variant, overlay, set_, allow_root, limit)
    events, lines = EventLog(log), ProgressLines(quiet=quiet or as_json)

    def ended(one: RenderedRecipe) -> None:
        lines.done()
        if not as_json:
            _show(one, chosen)

    try:
        say = None if quiet or as_json else talk
        done = render_recipes(files, out, chosen, options, log=events, progress=lines.node, say=say, ended=ended)
    except ChainrunError as error:
        events.record("error", problems=problem_records(error.problems), exit_code=error.exit_code)
        raise
    finally:
        lines.done()
        events.close()
    if as_json:
        records = [{**one.result.record(), "written": written(*_files(one))} for one in done]
        put_json(records[0] if len(records) == 1 else {"schema_version": 1, "results": records})
    return EXIT_FAILED if any(one.result.failures for one in done) else EXIT_DONE


def _files(one: RenderedRecipe) -> list[Path | None]:
    return [*(Path(file.file) for file in one.result.deliveries), one.page]


def _show(one: RenderedRecipe, chosen: Overrides) -> None:
    """Show the notes, the tables, and the last lines: where the files are, the targets, the notes, what to do next."""
    if one.page is not None:
        talk(f"wrote {one.page}")
    for text in [*one.result.warnings, *one.result.failures]:
        note(text)
    put(_screen(one.result))
    put("\n".join(_last_lines(one, chosen)))


def _last_lines(one: RenderedRecipe, chosen: Overrides) -> list[str]:
    result = one.result
    names = [file.file for file in result.deliveries]
    first = shortened(names[0], 60, keep_end=True) if names else "none"
    files = first if len(names) < 2 else f"{len(names)}, the first is {shortened(names[0], 45, keep_end=True)}"
    n_notes = len(result.warnings)
    return [
        f"files   {files}",
        f"target  {_target(result)}",
        f"notes   {doubtful(f'{n_notes}, shown above') if n_notes else 'none'}",
        f"next    {_next(one, chosen)}",
    ]


def _target(result: RenderResult) -> str:
    """Whether the deliveries have what their recipe asks for."""
    if result.misses:
        return f"{bad('missed')}: {result.misses[0].text()}"
    wanted = [file for file in result.deliveries if file.target_lufs is not None]
    if not wanted:
        return "the recipe asks for no loudness"
    if len(wanted) > 1:
        return f"{good('met')} by all {len(wanted)} files that have one"
    measured = wanted[0].measured
    return f"{good('met')}: {number(measured.integrated_lufs, 2)} LUFS, {number(measured.true_peak_dbtp, 2)} dBTP"


def _next(one: RenderedRecipe, chosen: Overrides) -> str:
    """The next command to run after a render."""
    from chainrun.verify.changed import baseline_path

    recipe = shlex.quote(shown_path(one.opened.path))
    is_part = one.result.plan.sounding is not None or one.result.plan.stretch is not None
    if one.result.misses:
        return "change target_lufs or max_dbtp (chainrun explain deliver), or the chains"
    if chosen.overlays or chosen.sets or is_part:
        return "listen; chainrun compare shows what differs from another render"
    words = f"{recipe} --variant {shlex.quote(chosen.variant)}" if chosen.variant else recipe
    if baseline_path(one.opened).is_file():
        return f"chainrun verify {words}"
    return f"listen, then accept the sound: chainrun verify {words} --accept"


def _step(reading: Reading | WetLevel) -> str:
    """A step by its name in the recipe: `door (gate)`, `glue.compressor`."""
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
                    shortened(_step(one), 26),
                    f"{one.gain_reduction_max_db:.1f}",
                    f"{one.gain_reduction_mean_db:.1f}",
                    f"{one.gain_reduction_working_pct:.0f}",
                ]
            )
        for level in node.wet_levels:
            wet.append([name, shortened(_step(level), 26), number(level.wet_to_dry_db), f"{level.mix_pct:g}"])
    lines = []
    if worked:
        head = ["node", "gain reduction by", "max dB", "mean dB", "% of time"]
        lines += [table(head, worked, left=2), ""]
    if wet:
        lines += [table(["node", "wet level of", "dB against dry", "mix %"], wet, left=2), ""]
    return lines


def _screen(result: RenderResult) -> str:
    """The result as tables: nodes, steps, files."""
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
    lines.append(table(["file", "LUFS", "dBTP", "gain dB", "length s"], files))
    lines.append("")
    for file in result.deliveries:
        if file.gain_of:
            name = shortened(file.file, 40, keep_end=True)
            lines.append(f"{name}: has the gain of {file.gain_of}, {file.gain_db:+.2f} dB")
        if file.limited_max_db is not None:
            name = shortened(file.file, 40, keep_end=True)
            limited = f"at most {file.limited_max_db:.1f} dB" if file.limited_max_db >= 0.05 else "less than 0.1 dB"
            lines.append(f"{name}: limiting takes off {limited}")
    kept = sum(node.from_store for node in result.nodes)
    speed = f"{result.times_real_time:.1f} times real time"
    cached = f"; {kept} of {len(result.nodes)} prints from the store" if kept else ""
    lines.append(f"rendered {result.length_s:.1f} s in {result.seconds:.2f} s, {speed}{cached}")
    return "\n".join(lines)
