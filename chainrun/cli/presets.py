"""chainrun presets: what is in the libraries, what it does, where it is used, what is alike."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from chainrun.cli.options import AsJson, NoStore, StoreFolder, refuse, store_folder
from chainrun.cli.terminal import ProgressLine, number, put, put_json, shortened, table, talk
from chainrun.errors import EXIT_DONE, printable
from chainrun.whole_file import work_folder

if TYPE_CHECKING:
    from chainrun.library.alike import Apart

app = typer.Typer(name="presets", help="The preset library: list, show, where, alike.", no_args_is_help=True)
Libraries = Annotated[
    list[Path] | None,
    typer.Option("--presets", metavar="DIR", help="A library, or several. Else presets or recipes/presets."),
]
RecipeGlobs = Annotated[
    list[str] | None, typer.Option("--recipes", metavar="GLOB", help="Recipes, in quotes; may be given several times.")
]
DEFAULT_LIBRARIES = ("presets", "recipes/presets")


def libraries(folders: list[Path] | None) -> list[Path]:
    """The libraries that are meant."""
    if folders:
        return folders
    found = [Path(one) for one in DEFAULT_LIBRARIES if Path(one).is_dir()]
    if not found:
        raise refuse("there is no preset library here", allowed=", ".join(DEFAULT_LIBRARIES), hint="--presets DIR")
    return found[:1]


def tell_unreadable(unreadable: dict[Path, str]) -> None:
    """What recipes were left out, the first few with their reasons."""
    for text in list(unreadable.values())[:3]:
        talk(f"left out: {text}")
    if len(unreadable) > 3:
        talk(f"left out, too: {len(unreadable) - 3} more recipes that are not valid (chainrun check tells why)")


def left_out(name: str, reason: str) -> None:
    """A preset that could not be measured."""
    talk(f"left out: {name}: {reason}")


@contextmanager
def store_for(folder: Path | None, needed: bool) -> Iterator[Path | None]:
    """The store, or one for as long as this takes."""
    if folder is not None or not needed:
        yield folder
        return
    with work_folder("chainrun-shares") as work:
        yield work


@app.command("list")
def list_(presets: Libraries = None, as_json: AsJson = False) -> int:
    """All presets, with what they suit and whether they are current."""
    from chainrun.library.shelf import Shelf

    shelf = Shelf(libraries(presets))
    if as_json:
        put_json({"schema_version": 1, "presets": [_record(one) for one in shelf.presets.values()]})
        return EXIT_DONE
    rows = [
        [
            shortened(one.name, 26),
            str(one.since or "-"),
            one.status if one.status == "current" else f"retired {one.retired_in or ''}".rstrip(),
            shortened(", ".join(one.suits) or one.about, 34),
        ]
        for one in shelf.presets.values()
    ]
    put(table(["preset", "since", "status", "suits"], rows, left=4))
    return EXIT_DONE


def _record(one: Any) -> dict[str, Any]:
    return {
        "name": one.name,
        "file": str(one.file),
        "about": one.about,
        "since": one.since,
        "status": one.status,
        "retired_in": one.retired_in,
        "replaced_by": one.replaced_by,
        "suits": list(one.suits),
        "tags": list(one.tags),
        "chain_hash": one.chain_hash,
        "uses": list(one.uses),
    }


@app.command()
def show(
    name: Annotated[str, typer.Argument(help="A preset's name.", show_default=False)],
    presets: Libraries = None,
    store: StoreFolder = None,
    no_store: NoStore = False,
    as_json: AsJson = False,
) -> int:
    """A preset's chain, and what was measured of it: response, static curve, times, distortion."""
    import json

    from chainrun.library.profile import LEVELS_DBFS, POINTS_HZ, kept_profile
    from chainrun.library.shelf import Shelf
    from chainrun.plan.identity import sounding_part
    from chainrun.plan.surroundings import code_hash

    shelf = Shelf(libraries(presets))
    preset = shelf.get(name)
    steps = shelf.steps(preset.name)
    open_ones = [step for step in steps if not step.shuts or step.bypass]
    profile = kept_profile(open_ones, code_hash(), store_folder(store, no_store))
    opened = len(open_ones) < len(steps)
    chain = [sounding_part(step.model_dump(by_alias=True, exclude_defaults=True) | {"do": step.do}) for step in steps]
    if as_json:
        told = {key: value for key, value in profile.record().items() if key != "sketches"}
        put_json(
            {"schema_version": 1, **_record(preset), "chain": chain, "face": told, "measured_with_gates_open": opened}
        )
        return EXIT_DONE
    put(f"{printable(preset.name)}  ({preset.status}, since {preset.since or 'unknown'})")
    put(
        textwrap.fill(printable(preset.about), 80, initial_indent="  ", subsequent_indent="  ")
        or "  (no words about it)"
    )
    if opened:
        put("  measured with its gates open: a closed one would hide the rest")
    if preset.replaced_by:
        put(f"  its successor: {printable(preset.replaced_by)}")
    put("")
    for step in chain:
        line = printable(json.dumps(step, ensure_ascii=False))
        put(textwrap.fill(line, 80, initial_indent="  ", subsequent_indent="      ", break_on_hyphens=False))
    put("")
    heads = [f"{hz / 1000:g}k" if hz >= 1000 else f"{hz:g}" for hz in POINTS_HZ]
    put(table(["Hz", *heads], [["dB at -50 dBFS", *(number(db) for db in profile.response_db)]]))
    levels = [f"{one:g}" for one in LEVELS_DBFS]
    put(table(["dBFS in", *levels], [["dBFS out", *(number(db) for db in profile.static_db)]]))
    rows = [
        ["attack, release", f"{_ms(profile.attack_ms)}, {_ms(profile.release_ms)}"],
        ["harmonics at -18 dBFS", f"{profile.harmonics_pct:.3g} %"],
        ["latency, tail", f"{profile.latency_ms:g} ms, {profile.tail_s:g} s"],
        ["level of pink noise", f"{profile.level_change_lu:+.1f} LU"],
    ]
    put(table(["", ""], rows, left=2))
    return EXIT_DONE


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
    from chainrun.library.shares import measured_shares
    from chainrun.library.shelf import Shelf
    from chainrun.library.usage import last_rendered, recipe_files, usage
    from chainrun.recipe.load import recipe_name

    shelf = Shelf(libraries(presets))
    name = shelf.get(name).name
    folder = store_folder(store, no_store)
    known = usage(recipe_files(recipes or ["**/*.recipe.toml"]))
    uses = known.of(name)
    with store_for(folder, shares) as kept:
        heard = measured_shares(uses, kept, render_missing=shares)
    days = last_rendered(uses, folder)
    records = [
        {
            "recipe": str(use.recipe),
            "variant": use.variant,
            "node": use.node,
            "path": use.path or None,
            "set": use.changes,
            "last_rendered": days.get((use.recipe, use.variant)),
            "bypassed": vars(share) if (share := heard.get(use)) is not None else None,
        }
        for use in uses
    ]
    inside = [one.name for one in shelf.presets.values() if name in one.uses]
    if as_json:
        unread = {str(path): text for path, text in known.unreadable.items()}
        put_json({"schema_version": 1, "preset": name, "uses": records, "inside": inside, "unreadable": unread})
        return EXIT_DONE
    tell_unreadable(known.unreadable)
    if inside:
        put(f"inside the presets {', '.join(inside)}")
    rows = [
        [
            shortened(str(one["recipe"]) + (f" ({one['variant']})" if one["variant"] else ""), 28, keep_end=True),
            shortened(str(one["node"]), 18),
            str(len(uses[k].changes) or "-"),
            str(one["last_rendered"] or "-"),
            number(share.loudness_lu) if (share := heard.get(uses[k])) is not None else "-",
            number(share.residual_lu) if share is not None else "-",
        ]
        for k, one in enumerate(records)
    ]
    put(table(["recipe", "node", "set", "rendered", "loud", "LU"], rows, left=2) if rows else f"no recipe uses {name}")
    for use in uses:
        for key, value in use.changes.items():
            told = f"{recipe_name(use.recipe)} {use.path}: {key} = {value}"
            put(textwrap.fill(printable(told), 80, subsequent_indent="    "))
    return EXIT_DONE


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
    from chainrun.library.alike import ALIKE_LU, clusters, keeper, on_stems, pairs, profiles
    from chainrun.library.shelf import Shelf
    from chainrun.library.usage import Usage, recipe_files, usage

    shelf = Shelf(libraries(presets))
    if name is not None:
        name = shelf.get(name).name
    line = ProgressLine(quiet=as_json)
    known_profiles = profiles(shelf, list(shelf.presets), store_folder(store, no_store), line.node, left_out)
    line.done()
    found = pairs(known_profiles, name)
    known = usage(recipe_files(recipes)) if recipes else Usage([], [], {})
    found = on_stems(shelf, found, known)
    near = [one for one in found if one.alike]
    together = [(group, keeper(group, shelf, known)) for group in clusters(near)]
    groups = [{"presets": group, "keep": kept} for group, kept in together]
    shown = found[:20] if everything else near
    if as_json:
        put_json({"schema_version": 1, "limit_lu": ALIKE_LU, "pairs": [vars(one) for one in shown], "groups": groups})
        return EXIT_DONE
    if shown:
        put(
            table(
                ["preset", "and", "LU", "worst on", "eq dB", "curve", "gain", "on stem"],
                [_row(one) for one in shown],
                left=2,
            )
        )
    for group, kept in together:
        put(f"alike: {', '.join(group)}; keep {kept}")
    if not near:
        put(f"no two presets are alike (residual under {ALIKE_LU:g} LU on every test signal)")
    return EXIT_DONE


def _row(one: Apart) -> list[str]:
    figures = [number(one.response_db), number(one.static_db), number(one.gain_db)]
    names = [shortened(one.one, 18), shortened(one.other, 18)]
    return [*names, number(one.residual_lu, 0), one.worst, *figures, number(one.stem_lu, 0)]
