"""chainrun compare: what differs between two sounds."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from chainrun.cli.options import (
    AllowRoots,
    AsJson,
    Embed,
    LimitWords,
    NoStore,
    Overlays,
    Quiet,
    Report,
    Sets,
    StoreFolder,
    Workers,
    overrides,
    place_of_page,
    refuse,
    store_folder,
)
from chainrun.cli.terminal import ProgressLine, number, put, put_json, shortened, table, talk
from chainrun.errors import EXIT_DONE, EXIT_FAILED
from chainrun.problem_codes import Code

MAX_LINES = 8
"""Of the residual over time."""
MAX_BANDS = 6
"""Maximum number of third octaves that are named."""

if TYPE_CHECKING:
    from chainrun.comparison.difference import Difference
    from chainrun.comparison.pairs import Compared
    from chainrun.comparison.sweep import SweepRow
    from chainrun.delivery import RenderOptions
    from chainrun.recipe import Overrides
    from chainrun.report.page import PagePlace


def command(
    a: Annotated[Path, typer.Argument(metavar="A", help="An audio file, a recipe or a baseline.", show_default=False)],
    b: Annotated[Path | None, typer.Argument(metavar="B", help="The other; not with --sweep.")] = None,
    variant: Annotated[
        list[str] | None,
        typer.Option("--variant", metavar="NAME", help="Of one recipe; twice: the one against the other."),
    ] = None,
    sweep: Annotated[
        str | None, typer.Option("--sweep", metavar="PATH=V1,V2,…", help="One recipe, once for each value.")
    ] = None,
    no_match: Annotated[bool, typer.Option("--no-match", help="Do not align in time, nor match loudness.")] = False,
    out: Annotated[Path, typer.Option("--out", "-o", metavar="DIR", help="Where --sweep keeps its renders.")] = Path(
        "out"
    ),
    overlay: Overlays = None,
    set_: Sets = None,
    allow_root: AllowRoots = None,
    limit: LimitWords = None,
    workers: Workers = None,
    store: StoreFolder = None,
    no_store: NoStore = False,
    strict: Annotated[bool, typer.Option("--strict", help="Exit 1 if the difference can be heard.")] = False,
    report: Report = None,
    embed: Embed = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Compare two files, recipes, variants or baselines: level-matched residual, bands, loudness, image, in time."""
    from chainrun.delivery import RenderOptions
    from chainrun.verify.changed import is_baseline

    place = place_of_page(report, embed)
    if place is not None and (sweep is not None or is_baseline(a)):
        raise refuse("--report goes with two sounds", code=Code.OPTIONS_CLASH)
    rendering = _Setting(
        overrides(None, overlay, set_, allow_root, limit),
        RenderOptions(workers=workers, store=store_folder(store, no_store)),
        ProgressLine(quiet=quiet or as_json),
    )
    if sweep is not None:
        if no_match or strict:
            raise refuse("--no-match and --strict do not go with --sweep", code=Code.OPTIONS_CLASH)
        if b is not None or len(variant or []) > 1:
            raise refuse("--sweep takes one recipe, and one variant at most", code=Code.OPTIONS_CLASH)
        _show_sweep(a, next(iter(variant or []), None), sweep, out, rendering, as_json=as_json)
        return EXIT_DONE
    baselines = is_baseline(a) or (b is not None and is_baseline(b))
    if no_match and baselines:
        raise refuse("baselines are compared as they are: --no-match goes with sounds", code=Code.OPTIONS_CLASH)
    pair = _pair(a, b, variant or [])
    if baselines:
        same = _show_baselines(a, b, as_json=as_json)
    else:
        same = _show_sounds(pair, rendering, place, match=not no_match, as_json=as_json)
    return EXIT_FAILED if strict and not same else EXIT_DONE


@dataclass(frozen=True)
class _Setting:
    """How recipes are rendered for a comparison."""

    chosen: Overrides
    options: RenderOptions
    line: ProgressLine


def _pair(a: Path, b: Path | None, variants: list[str]) -> tuple[Compared, Compared]:
    """The two things that are meant: two files or recipes, or variants of one or two. Raises UsageError."""
    from chainrun.comparison.pairs import Compared

    if b is None and not variants:
        raise refuse(
            "compare wants two things", hint="A and B, or one recipe with --variant NAME", code=Code.OPTIONS_CLASH
        )
    if len(variants) > 2 or (b is not None and len(variants) == 1):
        raise refuse("--variant is given twice with two recipes, once or twice with one", code=Code.OPTIONS_CLASH)
    other = b if b is not None else a
    if len(variants) == 2:
        return Compared(a, variants[0]), Compared(other, variants[1])
    return Compared(a), Compared(other, variants[0] if variants else None)


def _show_sounds(
    pair: tuple[Compared, Compared], rendering: _Setting, place: PagePlace | None, *, match: bool, as_json: bool
) -> bool:
    """Compare two sounds and show how they differ; returns whether that can not be heard."""
    from chainrun.comparison.limits import Floor
    from chainrun.comparison.pairs import comparing

    labels = [one.label for one in pair]
    line = rendering.line
    with comparing(*pair, rendering.chosen, rendering.options, match=match, progress=line.node) as found:
        line.done()
        if place is not None:
            from chainrun.report.compared import compare_page
            from chainrun.report.page import write_page

            talk(f"wrote {write_page(compare_page(found, [Path(one).name for one in labels], place), place)}")
    if as_json:
        put_json({"schema_version": 2, **found.record(labels)})
    else:
        put(screen(found, labels, matched=match))
    return found.inaudible(Floor())


def _show_baselines(a: Path, b: Path | None, *, as_json: bool) -> bool:
    """Compare two baselines and show how they differ; returns whether all is within its limits."""
    from chainrun.verify.two_baselines import compare_baselines, no_pair

    if b is None:
        raise no_pair()
    found = compare_baselines(a, b)
    if as_json:
        put_json(found.record())
    else:
        put(found.text())
    return found.passed


def _show_sweep(
    recipe: Path, variant: str | None, words: str, out: Path, rendering: _Setting, *, as_json: bool
) -> None:
    """Sweep a number of a recipe and show a row for each value."""
    from chainrun.comparison.sweep import ValuesOfKey
    from chainrun.comparison.sweep import sweep as run

    key = ValuesOfKey.of(words)
    chosen = replace(rendering.chosen, variant=variant)
    found = run(recipe, key, out, chosen=chosen, options=rendering.options, progress=rendering.line.node)
    rendering.line.done()
    if as_json:
        put_json(found.record())
        return
    rows = found.rows()
    put(key.path)
    put(
        table(
            ["value", "LUFS", "dBTP", "crest", "LRA", "most dB", "mean dB", "residual LU"],
            [_cells(row) for row in rows],
        )
    )
    for row in rows:
        for failure in row.failures:
            talk(f"note: {row.value}: {failure}")
    put(f"the residual is against the first; matched in loudness, to listen to: {out}/*.flac")


def _cells(row: SweepRow) -> list[str]:
    return [
        row.value,
        number(row.integrated_lufs),
        number(row.true_peak_dbtp),
        number(row.crest_db),
        number(row.range_lu) + (" short" if row.range_is_short else ""),
        number(row.gain_reduction_max_db),
        number(row.gain_reduction_mean_db),
        number(row.residual_lu),
    ]


def _residuals(found: Difference) -> list[str]:
    """The residual by octave and by second (the loudest of several, in a long file)."""
    from chainrun.comparison.verdict import clock

    octaves = ["31.5", "63", "125", "250", "500", "1000", "2000", "4000", "8000", "16000"]
    bands = [number(found.by_band_db.get(hz), 0) for hz in octaves]
    step = -(-len(found.by_second_lu) // (10 * MAX_LINES))
    levels = [max(found.by_second_lu[at : at + step]) for at in range(0, len(found.by_second_lu), step)]
    rows = [[clock(at * step), *(number(one, 0) for one in levels[at : at + 10])] for at in range(0, len(levels), 10)]
    head = ["residual, LU, from", *(f"+{k * step} s" for k in range(10))]
    rows = [[*row, *[""] * (len(head) - len(row))] for row in rows]
    return [table(["residual, dB, Hz", *octaves], [["of A's own", *bands]]), "", table(head, rows)]


def screen(found: Difference, names: list[str], *, matched: bool) -> str:
    """Figures, then the sentence."""
    rows = []
    for key, unit, digits in (
        ("integrated_lufs", "LUFS", 2),
        ("momentary_max_lufs", "LUFS", 1),
        ("short_term_max_lufs", "LUFS", 1),
        ("range_lu", "LU", 1),
        ("true_peak_dbtp", "dBTP", 2),
        ("crest_db", "dB", 1),
        ("correlation", "", 2),
        ("side_to_mid_db", "dB", 1),
    ):
        one, other = getattr(found.one.measured, key), getattr(found.other.measured, key)
        apart = (
            f"{other - one:+.{digits}f}" if one is not None and other is not None and abs(other - one) < 1e6 else "-"
        )
        short = found.one.measured.range_is_short or found.other.measured.range_is_short
        unit += " (short programme)" if key == "range_lu" and short else ""
        rows.append([key.replace("_", " "), number(one, digits), number(other, digits), apart, unit])
    lines = [f"A  {shortened(names[0], 76, keep_end=True)}", f"B  {shortened(names[1], 76, keep_end=True)}", ""]
    lines.append(table(["", "A", "B", "B - A", ""], rows))
    lines.append("")
    if matched:
        late = f"B lies {found.offset_frames:.2f} frames later, and was moved"
        if abs(found.offset_frames) < 0.005:
            late = "in time" if found.aligned else "not aligned"
        lines.append(f"{late}; B was made {found.gain_db:+.2f} dB louder to match A")
    else:
        lines.append("neither aligned nor matched")
    lines += found.notes()
    lines.append(
        f"residual {number(found.residual_lu)} LU against A (unweighted: {number(found.unweighted_residual_dbfs)} dBFS)"
    )
    loud = [(hz, db) for hz, db in found.bands_db.items() if abs(db) >= 0.1]
    if loud and not found.identical:
        largest = sorted(loud, key=lambda one: -abs(one[1]))[:MAX_BANDS]
        named = ", ".join(f"{hz} Hz {db:+.1f}" for hz, db in largest)
        lines.append(f"third octaves that move most, dB: {named}")
    if not found.identical:
        lines += ["", *_residuals(found)]
    return "\n".join([*lines, "", found.sentence()])
