"""chainrun compare: what differs between two sounds."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

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
from chainrun.plan import build_plan
from chainrun.store import hasher
from chainrun.whole_file import work_folder

MAX_LINES = 8
"""Of the residual over time."""

if TYPE_CHECKING:
    from chainrun.comparison.difference import Difference


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

    place = place_of_page(report, embed)
    if place is not None and (sweep is not None or a.name.endswith(".baseline.toml")):
        raise refuse("--report goes with two sounds")
    line = ProgressLine(quiet=quiet or as_json)
    options = RenderOptions(workers=workers, store=store_folder(store, no_store))
    chosen = overrides(None, overlay, set_, allow_root, limit)
    if sweep is not None:
        if no_match or strict:
            raise refuse("--no-match and --strict do not go with --sweep")
        return _sweep(a, b, variant, sweep, out, chosen, options, line, as_json)
    baselines = [path for path in (a, b) if path is not None and path.name.endswith(".baseline.toml")]
    if no_match and baselines:
        raise refuse("baselines are compared as they are: --no-match goes with sounds")
    variants: list[str | None] = [*(variant or [])]
    if b is None and not variants:
        raise refuse("compare wants two things", hint="A and B, or one recipe with --variant NAME")
    if len(variants) > 2 or (b is not None and len(variants) == 1):
        raise refuse("--variant is given twice with two recipes, once or twice with one")
    if a.name.endswith(".baseline.toml") or (b is not None and b.name.endswith(".baseline.toml")):
        return _baselines(a, b, as_json, strict)
    pair = (a, b if b is not None else a)
    names = (variants[0], variants[1]) if len(variants) == 2 else (None, variants[0] if variants else None)
    from chainrun.comparison.difference import difference
    from chainrun.comparison.limits import Floor

    with work_folder("chainrun-compare") as work:
        sounds = [
            _sound(path, name, work / str(k), chosen, options, line)
            for k, (path, name) in enumerate(zip(pair, names, strict=True))
        ]
        line.done()
        found = difference(sounds[0], sounds[1], match=not no_match)
        told = [f"{path}{f' ({name})' if name else ''}" for path, name in zip(pair, names, strict=True)]
        if place is not None:
            from chainrun.report.compared import compare_page
            from chainrun.report.page import write_page

            page = write_page(compare_page(found, [Path(one).name for one in told], place), place)
            talk(f"wrote {page}")
    if as_json:
        record = {"schema_version": 1, **found.record()}
        for one, shown in zip(record["files"], told, strict=True):
            one["file"] = shown
        put_json(record)
    else:
        put(screen(found, told, matched=not no_match))
    return EXIT_FAILED if strict and not found.inaudible(Floor()) else EXIT_DONE


def _sound(path: Path, variant: str | None, out: Path, chosen: Any, options: Any, line: ProgressLine) -> Path:
    """The file itself, or what a recipe renders: its first delivery."""
    if not path.name.endswith(".toml"):
        from chainrun.audiofile import read_header

        if variant is not None:
            raise refuse("--variant goes with a recipe", given=str(path))
        read_header(path, chosen.limits)
        return path
    from chainrun.delivery import render
    from chainrun.recipe import open_recipe

    opened = open_recipe(path, replace(chosen, variant=variant))
    plan = build_plan(opened, hash_file=hasher(options.store))
    return Path(render(plan, out, options, progress=line.node).deliveries[0].file)


def _baselines(a: Path, b: Path | None, as_json: bool, strict: bool) -> int:
    """Two baselines: what one knows of the other's distance, without either's audio."""
    from chainrun.recipe.model import Tolerances
    from chainrun.verify import baseline
    from chainrun.verify.judge import Check, find_cause, judge_delivery
    from chainrun.verify.reports import cause_lines

    if b is None or not all(path.name.endswith(".baseline.toml") for path in (a, b)):
        raise refuse("a baseline is compared with another baseline", hint="verify compares a recipe with its own")
    was, now, limits = baseline.read(a), baseline.read(b), Tolerances()
    shared = [name for name in was["deliveries"] if name in now["deliveries"]]
    checks = [
        check
        for name in shared
        for check in judge_delivery(name, was["deliveries"][name], now["deliveries"][name], limits)
    ]
    for name in [*was["deliveries"], *now["deliveries"]]:
        if name not in shared:
            only = "A" if name in was["deliveries"] else "B"
            checks.append(Check(f"{name}: baseline", False, f"{name} is in {only} alone, and was not compared"))
    cause = find_cause(was, now, limits)
    failed = [check for check in checks if not check.passed]
    verdict = (
        f"differs: {len(failed)} of {len(checks)} checks are over their limit" if failed else "no audible difference"
    )
    code = EXIT_FAILED if strict and not all(check.passed for check in checks) else EXIT_DONE
    if as_json:
        put_json(
            {
                "schema_version": 1,
                "files": [str(a), str(b)],
                "checks": [check.record() for check in checks],
                "cause": vars(cause),
                "verdict": verdict,
            }
        )
        return code
    lines = [f"{check.name}: {check.text}" for check in checks]
    put("\n".join([*lines, *(f"cause: {text}" for text in cause_lines(cause)), "", f"{verdict} (nothing was matched)"]))
    return code


def _sweep(
    a: Path,
    b: Path | None,
    variant: list[str] | None,
    sweep: str,
    out: Path,
    chosen: Any,
    options: Any,
    line: ProgressLine,
    as_json: bool,
) -> int:
    from chainrun.comparison.sweep import parsed, rows
    from chainrun.comparison.sweep import sweep as run

    if b is not None or len(variant or []) > 1:
        raise refuse("--sweep takes one recipe, and one variant at most")
    path, values = parsed(sweep)
    name = variant[0] if variant else None
    found = rows(path, run(a, replace(chosen, variant=name), path, values, out, options, line.node))
    line.done()
    if as_json:
        put_json({"schema_version": 1, "path": path, "values": found})
        return EXIT_DONE
    head = ["value", "LUFS", "dBTP", "crest", "LRA", "most dB", "mean dB", "residual LU"]
    keys = (
        "integrated_lufs",
        "true_peak_dbtp",
        "crest_db",
        "range_lu",
        "gain_reduction_max_db",
        "gain_reduction_mean_db",
        "residual_lu",
    )
    put(path)
    cells = []
    for one in found:
        told = {key: number(one[key]) for key in keys}
        told["range_lu"] += " short" if one["range_is_short"] else ""
        cells.append([one["value"], *told.values()])
    put(table(head, cells))
    for one in found:
        for failure in one["failures"]:
            talk(f"note: {one['value']}: {failure}")
    put(f"the residual is against the first; matched in loudness, to listen to: {out}/*.flac")
    return EXIT_DONE


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
    lines.append(f"residual: {number(found.residual_dbfs)} dBFS, {number(found.residual_lu)} LU against A")
    loud = [(hz, db) for hz, db in found.bands_db.items() if abs(db) >= 0.1]
    if loud and not found.identical:
        told = ", ".join(f"{hz} Hz {db:+.1f}" for hz, db in sorted(loud, key=lambda one: -abs(one[1]))[:6])
        lines.append(f"third octaves that move most, dB: {told}")
    if not found.identical:
        lines += ["", *_residuals(found)]
    return "\n".join([*lines, "", found.sentence()])
