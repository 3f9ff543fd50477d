"""chainrun presets: lists, shows and compares the presets of libraries, and finds their uses."""

from __future__ import annotations

import json
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from chainrun.cli.library_progress import LibraryProgress, show_unreadable
from chainrun.cli.options import (
    AllowRoots,
    AsJson,
    NoStore,
    Quiet,
    ShowAll,
    StoreFolder,
    files_of,
    paths,
    store_folder,
)
from chainrun.cli.terminal import number, put, put_json, shortened, table
from chainrun.errors import EXIT_DONE, printable

if TYPE_CHECKING:
    from chainrun.library.alike import Apart
    from chainrun.library.profile import Profile
    from chainrun.library.queries import Likeness, MeasuredUse, PresetDescription, PresetUses

app = typer.Typer(name="presets", help="The preset library: list, show, find uses, compare.", no_args_is_help=True)
Libraries = Annotated[
    list[str] | None,
    typer.Option("--presets", metavar="DIRS", help="Preset libraries. Default: presets, or recipes/presets."),
]
RecipePatterns = Annotated[
    list[str] | None,
    typer.Option("--recipes", metavar="PATTERNS", help="Recipes, in quotes: 'songs/*.recipe.toml'."),
]
EveryRecipe = Annotated[
    list[str] | None,
    typer.Option("--recipes", metavar="PATTERNS", help="Recipes, in quotes. Default: all in this folder and below."),
]
Shares = Annotated[
    bool, typer.Option("--shares", help="Render each use with and without the preset, to measure its share of the mix.")
]


def libraries(folders: list[str] | None) -> list[Path]:
    """The libraries of `--presets`, or the default one."""
    from chainrun.library.shelf import usual_libraries

    return list(paths("--presets", folders)) or usual_libraries()


@app.command("list")
def list_(
    presets: Libraries = None,
    allow_root: AllowRoots = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """List all presets: what they suit, and whether they are retired."""
    from chainrun.library.queries import list_presets

    found = list_presets(libraries(presets), paths("--allow-root", allow_root))
    if as_json:
        put_json({"schema_version": 1, "presets": [one.record() for one in found]})
        return EXIT_DONE
    rows = [
        [
            shortened(one.name, 24),
            str(one.since or "-"),
            one.status if one.status == "current" else f"retired {one.retired_in or ''}".rstrip(),
            shortened(", ".join(one.suits) or one.about, 34),
        ]
        for one in found
    ]
    put(table(["preset", "since", "status", "suits"], rows, left=4))
    return EXIT_DONE


@app.command()
def show(
    name: Annotated[str, typer.Argument(help="A preset's name.", show_default=False)],
    presets: Libraries = None,
    store: StoreFolder = None,
    no_store: NoStore = False,
    allow_root: AllowRoots = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Show a preset's chain and its measurements.

    The measurements: frequency response, static curve, attack and release, harmonics, latency and tail.
    """
    from chainrun.library.queries import describe_preset

    found = describe_preset(
        libraries(presets), name, store=store_folder(store, no_store), allow_roots=paths("--allow-root", allow_root)
    )
    if as_json:
        put_json(found.record())
        return EXIT_DONE
    _put_words(found)
    for step in found.chain():
        line = printable(json.dumps(step, ensure_ascii=False))
        put(textwrap.fill(line, 80, initial_indent="  ", subsequent_indent="      ", break_on_hyphens=False))
    put("")
    _put_profile(found.profile)
    return EXIT_DONE


def _put_words(found: PresetDescription) -> None:
    preset = found.preset
    put(f"{printable(preset.name)}  ({preset.status}, since {preset.since or 'unknown'})")
    put(textwrap.fill(printable(preset.about), 80, initial_indent="  ", subsequent_indent="  ") or "  (no description)")
    if found.gates_open:
        put("  measured with its gates open")
    if preset.replaced_by:
        put(f"  successor: {printable(preset.replaced_by)}")
    put("")


def _put_profile(profile: Profile) -> None:
    from chainrun.library.profile import LEVELS_DBFS, POINTS_HZ

    heads = [f"{hz / 1000:g}k" if hz >= 1000 else f"{hz:g}" for hz in POINTS_HZ]
    put(table(["frequency, Hz", *heads], [["gain at -50 dBFS, dB", *(number(db) for db in profile.response_db)]]))
    levels = [f"{one:g}" for one in LEVELS_DBFS]
    put(table(["input, dBFS", *levels], [["output, dBFS", *(number(db) for db in profile.static_db)]]))
    rows = [
        ["attack, release", f"{_ms(profile.attack_ms)}, {_ms(profile.release_ms)}"],
        ["harmonics at -18 dBFS", f"{profile.harmonics_pct:.3g} %"],
        ["latency, tail", f"{profile.latency_ms:g} ms, {profile.tail_s:g} s"],
        ["loudness of pink noise, LU", number(profile.level_change_lu)],
    ]
    put(table(["", ""], rows, left=2))


def _ms(value: float | None) -> str:
    return f"{value:.0f} ms" if value is not None else "-"


@app.command()
def where(
    name: Annotated[str, typer.Argument(help="A preset's name.", show_default=False)],
    recipes: EveryRecipe = None,
    presets: Libraries = None,
    shares: Shares = False,
    store: StoreFolder = None,
    no_store: NoStore = False,
    allow_root: AllowRoots = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Find the recipes that use a preset.

    Shows each use with its changes, the day of the last render, and what the mix would lose without it.
    """
    from chainrun.library.queries import EVERY_RECIPE, find_uses

    folder = store_folder(store, no_store)
    found = find_uses(
        libraries(presets),
        name,
        files_of("--recipes", recipes) or EVERY_RECIPE,
        store=folder,
        render_shares=shares,
        allow_roots=paths("--allow-root", allow_root),
    )
    if as_json:
        put_json(found.record())
    else:
        _put_uses(found)
    return EXIT_DONE


def _put_uses(found: PresetUses) -> None:
    from chainrun.recipe.load import recipe_name

    show_unreadable(found.unreadable)
    if found.inside:
        put(f"inside the presets {', '.join(found.inside)}")
    rows = [_use_row(one) for one in found.uses]
    head = ["recipe", "node", "changed\nkeys", "last\nrendered", "bypassed:\nlouder LU", "\nresidual LU"]
    put(table(head, rows, left=2) if rows else f"no recipe uses {found.preset}")
    for one in found.uses:
        for key, value in one.use.changes.items():
            change = f"{recipe_name(one.use.recipe)} {one.use.path}: {key} = {value}"
            put(textwrap.fill(printable(change), 80, subsequent_indent="    "))
    for why in dict.fromkeys(one.share.reason for one in found.uses if one.share.reason is not None):
        put(textwrap.fill(printable(f"residual -: {why}"), 80, subsequent_indent="    "))


def _use_row(one: MeasuredUse) -> list[str]:
    use, share = one.use, one.share
    return [
        shortened(str(use.recipe) + (f" ({use.variant})" if use.variant else ""), 20, keep_end=True),
        shortened(use.node, 14),
        str(len(use.changes) or "-"),
        one.last_rendered or "-",
        number(share.loudness_change_lu),
        number(share.residual_lu),
    ]


@app.command()
def alike(
    name: Annotated[
        str | None, typer.Argument(help="Compare only this preset with the others. Default: all with each other.")
    ] = None,
    presets: Libraries = None,
    recipes: RecipePatterns = None,
    everything: ShowAll = False,
    store: StoreFolder = None,
    no_store: NoStore = False,
    allow_root: AllowRoots = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Find presets that do nearly the same; suggest which to keep.

    Their output for test signals is compared, matched in level; with --recipes also that for a stem of those recipes.
    """
    from chainrun.library.queries import find_alike

    progress = LibraryProgress(quiet=quiet or as_json)
    folder = store_folder(store, no_store)
    found = find_alike(
        libraries(presets),
        name,
        files_of("--recipes", recipes),
        store=folder,
        progress=progress,
        allow_roots=paths("--allow-root", allow_root),
    )
    shown = found.nearest() if everything else found.alike
    if as_json:
        put_json(found.record(shown))
    else:
        _put_likeness(found, shown)
    return EXIT_DONE


def _put_likeness(found: Likeness, shown: list[Apart]) -> None:
    from chainrun.library.alike import MAX_ALIKE_LU

    if shown:
        head = ["preset", "and", "residual\nLU", "worst on", "response\ndB", "curve\ndB", "level\ndB", "on stem\nLU"]
        put(table(head, [_pair_row(one) for one in shown], left=2))
    for one in shown:
        if (why := one.reason or one.stem_reason) is not None and (one.residual_lu is None or one.alike):
            put(textwrap.fill(printable(f"{one.one}, {one.other}: -: {why}"), 80, subsequent_indent="    "))
    for group in found.groups:
        put(f"alike: {', '.join(group.presets)}; keep {group.keep}")
    if not found.alike:
        put(f"no two presets are alike (residual below {MAX_ALIKE_LU:g} LU on every test signal)")


def _pair_row(one: Apart) -> list[str]:
    figures = [number(one.response_db), number(one.static_db), number(one.gain_db)]
    names = [shortened(one.one, 15), shortened(one.other, 15)]
    return [*names, number(one.residual_lu, 0), one.worst, *figures, number(one.stem_residual_lu, 0)]
