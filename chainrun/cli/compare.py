"""chainrun compare: the differences between two sounds."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
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
    several,
    store_folder,
    write_page,
    written,
)
from chainrun.cli.progress import ProgressLines
from chainrun.cli.terminal import note, number, put, put_json, shortened, table
from chainrun.errors import EXIT_DONE, EXIT_FAILED
from chainrun.problem_codes import Code

MAX_LINES = 8
"""Maximum number of lines of the residual over time."""
MAX_BANDS = 6
"""Maximum number of third octaves that are named."""
QUANTITIES = (
    ("integrated_lufs", "integrated loudness", "LUFS", 2),
    ("momentary_max_lufs", "momentary maximum", "LUFS", 1),
    ("short_term_max_lufs", "short-term maximum", "LUFS", 1),
    ("range_lu", "loudness range", "LU", 1),
    ("true_peak_dbtp", "true peak", "dBTP", 2),
    ("crest_db", "crest factor", "dB", 1),
    ("correlation", "correlation", "", 2),
    ("side_to_mid_db", "side against mid", "dB", 1),
)
"""Measurements that are shown: key, label, unit, digits."""

if TYPE_CHECKING:
    from chainrun.comparison.difference import Difference
    from chainrun.comparison.pairs import Compared
    from chainrun.comparison.sweep import SweepRow
    from chainrun.delivery import RenderOptions
    from chainrun.recipe import Overrides
    from chainrun.report.page import PagePlace


def command(
    a: Annotated[Path, typer.Argument(metavar="A", help="An audio file, a recipe or a baseline.", show_default=False)],
    b: Annotated[Path | None, typer.Argument(metavar="B", help="The file to compare it with.")] = None,
    variant: Annotated[
        list[str] | None,
        typer.Option("--variant", metavar="NAMES", help="One variant: B is A's variant. Two: of A, and of B."),
    ] = None,
    sweep: Annotated[
        str | None, typer.Option("--sweep", metavar="PATH=V1,V2,…", help="Render A once for each value of a key.")
    ] = None,
    no_match: Annotated[bool, typer.Option("--no-match", help="Do not align in time or match in level.")] = False,
    out: Annotated[Path, typer.Option("--out", "-o", metavar="DIR", help="Folder for the renders of --sweep.")] = Path(
        "out"
    ),
    overlay: Overlays = None,
    set_: Sets = None,
    allow_root: AllowRoots = None,
    limit: LimitWords = None,
    workers: Workers = None,
    store: StoreFolder = None,
    no_store: NoStore = False,
    fail_if_audible: Annotated[
        bool, typer.Option("--fail-if-audible", help="Exit 1 if the difference is audible.")
    ] = False,
    report: Report = None,
    embed: Embed = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Compare two files, recipes, variants or baselines.

    Sounds are aligned in time and matched in level. Shows the residual, third octaves, loudness and image.
    """
    from chainrun.delivery import RenderOptions
    from chainrun.verify.changed import is_baseline

    variants, place = several("--variant", variant), place_of_page(report, embed)
    if place is not None and (sweep is not None or is_baseline(a)):
        raise refuse("--report needs two sounds", code=Code.OPTIONS_CLASH)
    rendering = _Setting(
        overrides(None, overlay, set_, allow_root, limit),
        RenderOptions(workers=workers, store=store_folder(store, no_store)),
        ProgressLines(quiet=quiet or as_json),
    )
    if sweep is not None:
        if no_match or fail_if_audible:
            raise refuse("--no-match and --fail-if-audible do not go with --sweep", code=Code.OPTIONS_CLASH)
        if b is not None or len(variants) > 1:
            raise refuse("--sweep takes one recipe, and at most one variant", code=Code.OPTIONS_CLASH)
        _show_sweep(a, next(iter(variants), None), sweep, out, rendering, as_json=as_json)
        return EXIT_DONE
    baselines = is_baseline(a) or (b is not None and is_baseline(b))
    if no_match and baselines:
        raise refuse("--no-match needs two sounds; baselines are compared as they are", code=Code.OPTIONS_CLASH)
    pair = _pair(a, b, variants)
    if baselines:
        same = _show_baselines(a, b, as_json=as_json)
    else:
        same = _show_sounds(pair, rendering, place, match=not no_match, as_json=as_json)
    return EXIT_FAILED if fail_if_audible and not same else EXIT_DONE


@dataclass(frozen=True)
class _Setting:
    """How recipes are rendered for a comparison."""

    chosen: Overrides
    options: RenderOptions
    line: ProgressLines


def _pair(a: Path, b: Path | None, variants: Sequence[str]) -> tuple[Compared, Compared]:
    """The two sounds to compare: files or recipes, or variants of one or two recipes. Raises UsageError."""
    from chainrun.comparison.pairs import Compared

    if b is None and not variants:
        raise refuse(
            "compare needs two sounds", hint="A and B, or one recipe with --variant NAME", code=Code.OPTIONS_CLASH
        )
    if len(variants) > 2 or (b is not None and len(variants) == 1):
        raise refuse("two recipes need no --variant or two names, one recipe needs one or two", code=Code.OPTIONS_CLASH)
    other = b if b is not None else a
    if len(variants) == 2:
        return Compared(a, variants[0]), Compared(other, variants[1])
    return Compared(a), Compared(other, variants[0] if variants else None)


def _show_sounds(
    pair: tuple[Compared, Compared], rendering: _Setting, place: PagePlace | None, *, match: bool, as_json: bool
) -> bool:
    """Compare two sounds and show the differences; returns whether they are inaudible."""
    from chainrun.comparison.limits import Floor
    from chainrun.comparison.pairs import comparing

    labels = [one.label for one in pair]
    line = rendering.line
    with comparing(*pair, rendering.chosen, rendering.options, match=match, progress=line.node) as found:
        line.done()
        page = None
        if place is not None:
            from chainrun.report.compared import compare_page

            page = write_page(compare_page(found, [Path(one).name for one in labels], place), place)
    if as_json:
        put_json({"schema_version": 2, **found.record(labels), "written": written(page)})
    else:
        put(screen(found, labels, matched=match))
    return found.inaudible(Floor())


def _show_baselines(a: Path, b: Path | None, *, as_json: bool) -> bool:
    """Compare two baselines and show the differences; returns whether all are within their limits."""
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
    """Render a recipe once for each value of a key, and show a row for each."""
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
            [
                "value",
                "integrated\nLUFS",
                "true peak\ndBTP",
                "crest\ndB",
                "range\nLU",
                "reduction\nmax dB",
                "reduction\nmean dB",
                "residual\nLU",
            ],
            [_cells(row) for row in rows],
        )
    )
    for row in rows:
        for failure in row.failures:
            note(f"{row.value}: {failure}")
    put(f"residuals: against the first value. To listen to, matched in loudness: {out}/*.flac")


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
    """The residual by octave and by second; in a long file each number is the loudest of several seconds."""
    from chainrun.comparison.verdict import clock

    octaves = ["31.5", "63", "125", "250", "500", "1000", "2000", "4000", "8000", "16000"]
    bands = [number(found.by_band_db.get(hz), 0) for hz in octaves]
    step = -(-len(found.by_second_lu) // (10 * MAX_LINES))
    levels = [max(found.by_second_lu[at : at + step]) for at in range(0, len(found.by_second_lu), step)]
    rows = [[clock(at * step), *(number(one, 0) for one in levels[at : at + 10])] for at in range(0, len(levels), 10)]
    head = ["residual LU from", *(f"+{k * step} s" for k in range(10))]
    rows = [[*row, *[""] * (len(head) - len(row))] for row in rows]
    return [table(["residual dB at Hz", *octaves], [["against A's band", *bands]]), "", table(head, rows)]


def screen(found: Difference, names: list[str], *, matched: bool) -> str:
    """A table of the measurements, the residual, then the verdict."""
    rows = []
    for key, label, unit, digits in QUANTITIES:
        one, other = getattr(found.one.measured, key), getattr(found.other.measured, key)
        apart = (
            f"{other - one:+.{digits}f}" if one is not None and other is not None and abs(other - one) < 1e6 else "-"
        )
        if key == "range_lu" and (found.one.measured.range_is_short or found.other.measured.range_is_short):
            unit += " (short programme)"
        rows.append([label, number(one, digits), number(other, digits), apart, unit])
    lines = [f"A  {shortened(names[0], 76, keep_end=True)}", f"B  {shortened(names[1], 76, keep_end=True)}", ""]
    lines.append(table(["", "A", "B", "B - A", "unit"], rows))
    lines.append("")
    if matched:
        late = f"B was shifted by {-found.offset_frames:+.2f} samples to A's time"
        if abs(found.offset_frames) < 0.005:
            late = "B is in time with A" if found.aligned else "B could not be aligned with A"
        lines.append(f"{late}; its level was changed by {found.gain_db:+.2f} dB to match A")
    else:
        lines.append("not aligned in time, not matched in level")
    lines += found.notes()
    lines.append(
        f"residual {number(found.residual_lu)} LU against A (unweighted: {number(found.unweighted_residual_dbfs)} dBFS)"
    )
    loud = [(hz, db) for hz, db in found.bands_db.items() if abs(db) >= 0.1]
    if loud and not found.identical:
        largest = sorted(loud, key=lambda one: -abs(one[1]))[:MAX_BANDS]
        named = ", ".join(f"{hz} Hz {db:+.1f}" for hz, db in largest)
        text = f"largest changes of third octaves, in dB: {named}"
        lines.append(textwrap.fill(text, 80, subsequent_indent="    ", break_on_hyphens=False))
    if not found.identical:
        lines += ["", *_residuals(found)]
    return "\n".join([*lines, "", found.sentence()])
