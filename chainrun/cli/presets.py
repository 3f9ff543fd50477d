"""chainrun presets: what is in the libraries, what it does, where it is used, what is alike."""

from __future__ import annotations

import json
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from chainrun.cli.options import AsJson, NoStore, StoreFolder, store_folder
from chainrun.cli.terminal import number, put, put_json, shortened, table
from chainrun.errors import EXIT_DONE, printable

if TYPE_CHECKING:
    from chainrun.library.alike import Apart
    from chainrun.library.profile import Profile
    from chainrun.library.queries import Likeness, MeasuredUse, PresetDescription, PresetUses

app = typer.Typer(name="presets", help="The preset library: list, show, where, alike.", no_args_is_help=True)
Libraries = Annotated[
    list[Path] | None,
    typer.Option("--presets", metavar="DIR", help="A library, or several. Else presets or recipes/presets."),
]
RecipeGlobs = Annotated[
    list[str] | None, typer.Option("--recipes", metavar="GLOB", help="Recipes, in quotes; may be given several times.")
]


def libraries(folders: list[Path] | None) -> list[Path]:
    """The libraries that are meant."""
    from chainrun.library.shelf import usual_libraries

    return folders or usual_libraries()


@app.command("list")
def list_(presets: Libraries = None, as_json: AsJson = False) -> int:
    """All presets, with what they suit and whether they are current."""
    from chainrun.library.queries import list_presets

    found = list_presets(libraries(presets))
    if as_json:
        put_json({"schema_version": 1, "presets": [one.record() for one in found]})
        return EXIT_DONE
    rows = [
        [
            shortened(one.name, 26),
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
    as_json: AsJson = False,
) -> int:
    """A preset's chain, and what was measured of it: response, static curve, times, distortion."""
    from chainrun.library.queries import describe_preset

    found = describe_preset(libraries(presets), name, store=store_folder(store, no_store))
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
    put(
        textwrap.fill(printable(preset.about), 80, initial_indent="  ", subsequent_indent="  ")
        or "  (no words about it)"
    )
    if found.gates_open:
        put("  measured with its gates open: a closed one would hide the rest")
    if preset.replaced_by:
        put(f"  its successor: {printable(preset.replaced_by)}")
    put("")


def _put_profile(profile: Profile) -> None:
    from chainrun.library.profile import LEVELS_DBFS, POINTS_HZ

    heads = [f"{hz / 1000:g}k" if hz >= 1000 else f"{hz:g}" for hz in POINTS_HZ]
    put(table(["Hz", *heads], [["dB at -50 dBFS", *(number(db) for db in profile.response_db)]]))
    levels = [f"{one:g}" for one in LEVELS_DBFS]
    put(table(["dBFS in", *levels], [["dBFS out", *(number(db) for db in profile.static_db)]]))
    rows = [
        ["attack, release", f"{_ms(profile.attack_ms)}, {_ms(profile.release_ms)}"],
        ["harmonics at -18 dBFS", f"{profile.harmonics_pct:.3g} %"],
        ["latency, tail", f"{profile.latency_ms:g} ms, {profile.tail_s:g} s"],
        ["level of pink noise, LU", number(profile.level_change_lu)],
    ]
    put(table(["", ""], rows, left=2))


def _ms(value: float | None) -> str:
    return f"{value:.0f} ms" if value is not None else "-"


@app.command()
def where(
    name: Annotated[str, typer.Argument(help="A preset's name.", show_default=False)],
    recipes: RecipeGlobs = None,
    presets: Libraries = None,
    shares: Annotated[bool, typer.Option("--shares", help="Render each use with and without it.")] = False,
    store: StoreFolder = None,
    no_store: NoStore = False,
    as_json: AsJson = False,
) -> int:
    """Recipes that use a preset: where, with which changes, when last rendered, and how much of the mix it is."""
    from chainrun.library.queries import EVERY_RECIPE, find_uses

    folder = store_folder(store, no_store)
    found = find_uses(libraries(presets), name, recipes or EVERY_RECIPE, store=folder, render_shares=shares)
    if as_json:
        put_json(found.record())
    else:
        _put_uses(found)
    return EXIT_DONE


def _put_uses(found: PresetUses) -> None:
    from chainrun.cli.library_progress import tell_unreadable
    from chainrun.recipe.load import recipe_name

    tell_unreadable(found.unreadable)
    if found.inside:
        put(f"inside the presets {', '.join(found.inside)}")
    rows = [_use_row(one) for one in found.uses]
    head = ["recipe", "node", "set", "rendered", "loudness", "residual LU"]
    put(table(head, rows, left=2) if rows else f"no recipe uses {found.preset}")
    for one in found.uses:
        for key, value in one.use.changes.items():
            told = f"{recipe_name(one.use.recipe)} {one.use.path}: {key} = {value}"
            put(textwrap.fill(printable(told), 80, subsequent_indent="    "))
    for why in dict.fromkeys(one.share.reason for one in found.uses if one.share.reason is not None):
        put(textwrap.fill(printable(f"residual -: {why}"), 80, subsequent_indent="    "))


def _use_row(one: MeasuredUse) -> list[str]:
    use, share = one.use, one.share
    return [
        shortened(str(use.recipe) + (f" ({use.variant})" if use.variant else ""), 26, keep_end=True),
        shortened(use.node, 16),
        str(len(use.changes) or "-"),
        one.last_rendered or "-",
        number(share.loudness_change_lu),
        number(share.residual_lu),
    ]


@app.command()
def alike(
    name: Annotated[str | None, typer.Argument(help="Only what is like this one.")] = None,
    presets: Libraries = None,
    recipes: RecipeGlobs = None,
    everything: Annotated[bool, typer.Option("--all", help="Show the nearest pairs, alike or not.")] = False,
    store: StoreFolder = None,
    no_store: NoStore = False,
    as_json: AsJson = False,
) -> int:
    """Presets that do nearly the same, by what they do to test signals, matched in level; and which one to keep."""
    from chainrun.cli.library_progress import LibraryProgress
    from chainrun.library.queries import find_alike

    progress = LibraryProgress(quiet=as_json)
    folder = store_folder(store, no_store)
    found = find_alike(libraries(presets), name, recipes or (), store=folder, progress=progress)
    shown = found.nearest() if everything else found.alike
    if as_json:
        put_json(found.record(shown))
    else:
        _put_likeness(found, shown)
    return EXIT_DONE


def _put_likeness(found: Likeness, shown: list[Apart]) -> None:
    from chainrun.library.alike import MAX_ALIKE_LU

    if shown:
        head = ["preset", "and", "residual LU", "worst on", "eq dB", "gain", "stem LU"]
        put(table(head, [_pair_row(one) for one in shown], left=2))
    for one in shown:
        if (why := one.reason or one.stem_reason) is not None and (one.residual_lu is None or one.alike):
            put(textwrap.fill(printable(f"{one.one}, {one.other}: -: {why}"), 80, subsequent_indent="    "))
    for group in found.groups:
        put(f"alike: {', '.join(group.presets)}; keep {group.keep}")
    if not found.alike:
        put(f"no two presets are alike (residual below {MAX_ALIKE_LU:g} LU on every test signal)")


def _pair_row(one: Apart) -> list[str]:
    figures = [number(one.response_db), number(one.gain_db)]
    names = [shortened(one.one, 14), shortened(one.other, 14)]
    return [*names, number(one.residual_lu), one.worst, *figures, number(one.stem_residual_lu)]
