"""chainrun cull: the yearly thinning of the preset library."""

from __future__ import annotations

import datetime
import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from chainrun.cli.options import (
    AsJson,
    Embed,
    NoStore,
    Quiet,
    Report,
    StoreFolder,
    Workers,
    place_of_page,
    refuse,
    store_folder,
)
from chainrun.cli.presets import Libraries, RecipeGlobs, left_out, libraries, store_for, tell_unreadable
from chainrun.cli.terminal import ProgressLine, number, put, put_json, put_lines, shortened, table, talk
from chainrun.errors import EXIT_DONE, EXIT_FAILED
from chainrun.whole_file import work_folder, write_whole

if TYPE_CHECKING:
    from chainrun.cull.plan import CullPlan
    from chainrun.cull.trial import Tried
    from chainrun.library.usage import Usage
    from chainrun.report.page import PagePlace

app = typer.Typer(name="cull", help="The yearly cull of presets: plan, try, apply, undo.", no_args_is_help=True)
PlanFile = Annotated[Path, typer.Argument(metavar="PLAN", help="A plan, as `cull plan` writes it.", show_default=False)]


@app.command()
def plan(
    out: Annotated[Path, typer.Option("--out", "-o", metavar="FILE", help="The plan: NAME.cull.toml.")],
    recipes: RecipeGlobs = None,
    presets: Libraries = None,
    year: Annotated[int | None, typer.Option("--year", help="The year of the cull; else this one.")] = None,
    shares: Annotated[bool, typer.Option("--shares", help="Render every use with and without it, too.")] = False,
    store: StoreFolder = None,
    no_store: NoStore = False,
) -> int:
    """Propose what to keep, retire or replace, with reasons and costs; a person edits the file."""
    from chainrun.cull.plan import plan_text, propose
    from chainrun.library.alike import on_stems, pairs, profiles
    from chainrun.library.shares import measured_shares
    from chainrun.library.shelf import Shelf
    from chainrun.library.usage import recipe_files, usage

    if out.exists():
        raise refuse("there is such a file already, and a plan that was edited is not written over", given=str(out))
    if not out.name.endswith(".cull.toml"):
        raise refuse("a plan is called NAME.cull.toml", given=out.name, hint=f"{out.stem}.cull.toml")
    folders = libraries(presets)
    shelf = Shelf(folders)
    patterns = recipes or ["**/*.recipe.toml"]
    known = usage(recipe_files(patterns))
    tell_unreadable(known.unreadable)
    kept = store_folder(store, no_store)
    living = [name for name, preset in shelf.presets.items() if preset.status == "current"]
    line = ProgressLine(quiet=False)
    near = on_stems(shelf, pairs(profiles(shelf, living, kept, line.node, left_out)), known)
    line.done()
    own = [use for use in known.uses if not use.inherited]
    with store_for(kept, shares) as folder:
        heard = measured_shares(own, folder, render_missing=shares)
    this = year or datetime.date.today().year
    decisions = propose(shelf, known, near, this, heard)
    base = out.resolve().parent
    dirs = [Path(os.path.relpath(folder.resolve(), base)).as_posix() for folder in folders]
    globs = [Path(os.path.relpath(Path(pattern).absolute(), base)).as_posix() for pattern in patterns]
    write_whole(out, plan_text(decisions, this, dirs, globs, known.unreadable))
    counts = {word: sum(one.decision == word for one, _ in decisions) for word in ("keep", "retire", "replace")}
    put(f"wrote {out}: " + ", ".join(f"{count} to {word}" for word, count in counts.items()))
    if known.unreadable:
        n = len(known.unreadable)
        put(f"{n} recipe{'s' if n != 1 else ''} could not be read: nothing is retired for lack of use; mend them first")
        return EXIT_FAILED
    put(f"next: read and change it, then  chainrun cull try {out}")
    return EXIT_DONE


@app.command("try")
def try_(
    file: PlanFile,
    out: Annotated[Path | None, typer.Option("--out", "-o", metavar="DIR", help="Keep both renders of each.")] = None,
    workers: Workers = None,
    store: StoreFolder = None,
    no_store: NoStore = False,
    report: Report = None,
    embed: Embed = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Render every affected recipe without and with the decisions, and compare; no preset or recipe is changed."""
    from chainrun.cull.journal import alone, begun, refuse_unfinished
    from chainrun.cull.plan import read_plan
    from chainrun.cull.trial import attempt
    from chainrun.library.usage import recipe_files, usage

    if file.exists():
        with alone(file):
            if begun(file) is not None:
                raise refuse("a cull of this plan was interrupted", hint="finish it by cull apply, or cull undo it")
    read = read_plan(file)
    refuse_unfinished(read)
    known = usage(recipe_files(read.patterns) if read.patterns else [])
    tell_unreadable(known.unreadable)
    place, kept = place_of_page(report, embed), store_folder(store, no_store)
    line = ProgressLine(quiet=quiet or as_json)
    with work_folder("chainrun-try") as work:
        heard = out if out is not None or place is None else work
        found = attempt(read, known, out=heard, store=kept, workers=workers, progress=line.node)
        if place is not None:
            talk(f"wrote {_page(read, found, known, kept, place, line)}")
    line.done()
    limit, level = read.file.max_residual_lu, read.file.max_level_lu
    records = [one.record(read) for one in found]
    if as_json:
        put_json({"schema_version": 1, "max_residual_lu": limit, "max_level_lu": level, "recipes": records})
    else:
        rows = [
            [
                shortened(one.name, 22),
                shortened(", ".join(one.nodes) or "-", 22),
                number(one.residual_lu if one.found is not None else None),
                number(one.louder_lu if one.found is not None else None),
                "over" if record["crosses_limit"] else "",
            ]
            for one, record in zip(found, records, strict=True)
        ]
        put(table(["recipe", "nodes", "LU", "louder", "limit"], rows, left=2) if rows else "no recipe is touched")
        for one in found:
            for reading in one.readings[:4]:
                put(f"  {reading}")
            where = f"{one.name}, {one.delivery}" if one.delivery else one.name
            put_lines(f"{where}: {one.sentence()}")
        put(f"limits in {file.name}: a residual of {limit:g} LU matched in level, {level:g} LU louder or softer")
    return EXIT_FAILED if any(record["crosses_limit"] for record in records) else EXIT_DONE


def _page(
    read: CullPlan, found: list[Tried], known: Usage, kept: Path | None, place: PagePlace, line: ProgressLine
) -> Path:
    from chainrun.library.alike import clusters, keeper, on_stems, pairs, profiles
    from chainrun.library.shelf import Shelf
    from chainrun.report.compared import cull_page
    from chainrun.report.page import write_page

    shelf = Shelf(read.folders)
    gone = {one.name for one in read.file.preset if one.decision != "keep"}
    names = [name for name, one in shelf.presets.items() if one.status == "current" or name in gone]
    near = [
        one for one in on_stems(shelf, pairs(profiles(shelf, names, kept, line.node, left_out)), known) if one.alike
    ]
    groups = [(group, keeper(group, shelf, known)) for group in clusters(near)]
    over = [one.crosses(read) for one in found]
    return write_page(cull_page(found, over, groups, near, f"The cull of {read.file.year}", place), place)


@app.command()
def apply(file: PlanFile, as_json: AsJson = False) -> int:
    """Retire and replace as the plan says, all or nothing; one that was killed is finished by the next.

    `cull undo` takes it back.
    """
    from chainrun.cull.apply import apply as carry_out
    from chainrun.cull.journal import alone, begun
    from chainrun.cull.plan import read_plan
    from chainrun.cull.trial import affected, refusals
    from chainrun.library.usage import recipe_files, usage

    with alone(file):
        journal = begun(file)
        read = read_plan(file)
        with alone(*read.folders):
            variants: list[tuple[Path, str]] = []
            if journal is None or journal.direction == "undo":
                known = usage(recipe_files(read.patterns) if read.patterns else [])
                for line in refusals(read, known):
                    talk(f"warning: {line}")
                variants = [(one.recipe, one.variant) for one in affected(read, known) if one.variant is not None]
            told = carry_out(read, variants=variants)
    return _tell(told, as_json, "nothing to do: the plan keeps everything, or was applied already")


@app.command()
def undo(file: PlanFile, as_json: AsJson = False) -> int:
    """Take a cull back: presets return to their places, the overlay goes."""
    from chainrun.cull.apply import undo as take_back
    from chainrun.cull.journal import alone

    with alone(file):
        told = take_back(file)
    return _tell(told, as_json, "nothing to take back")


def _tell(told: list[str], as_json: bool, nothing: str) -> int:
    if as_json:
        put_json({"schema_version": 1, "done": told})
    else:
        put("\n".join(told) if told else nothing)
    return EXIT_DONE
