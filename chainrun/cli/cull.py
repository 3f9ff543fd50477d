"""chainrun cull: the yearly thinning of the preset library."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from chainrun.cli.library_progress import LibraryProgress
from chainrun.cli.options import (
    AsJson,
    Embed,
    NoStore,
    Quiet,
    Report,
    StoreFolder,
    Workers,
    place_of_page,
    store_folder,
)
from chainrun.cli.presets import Libraries, RecipeGlobs, libraries
from chainrun.cli.terminal import number, put, put_json, put_lines, shortened, table, talk
from chainrun.errors import EXIT_DONE, EXIT_FAILED
from chainrun.whole_file import work_folder

if TYPE_CHECKING:
    from chainrun.cull.apply import CullChange
    from chainrun.cull.trial import Trial

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
    from chainrun.cull.proposals import plan_cull, refuse_plan_path
    from chainrun.library.queries import EVERY_RECIPE

    refuse_plan_path(out)
    found = plan_cull(
        libraries(presets),
        recipes or EVERY_RECIPE,
        year=year,
        store=store_folder(store, no_store),
        render_shares=shares,
        progress=LibraryProgress(quiet=False),
    )
    found.write(out)
    put(f"wrote {out}: " + ", ".join(f"{found.count(word)} to {word}" for word in ("keep", "retire", "replace")))
    if found.unreadable:
        n = len(found.unreadable)
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
    from chainrun.cull.trial import trial_likeness, try_cull

    place, kept = place_of_page(report, embed), store_folder(store, no_store)
    progress = LibraryProgress(quiet=quiet or as_json)
    with work_folder("chainrun-try") as work:
        mixes = out if out is not None or place is None else work
        trial = try_cull(file, out=mixes, store=kept, workers=workers, progress=progress)
        if place is not None:
            from chainrun.report.compared import cull_page
            from chainrun.report.page import write_page

            alike = trial_likeness(trial, store=kept, progress=progress)
            talk(f"wrote {write_page(cull_page(trial, alike, place), place)}")
    if as_json:
        put_json(trial.record())
    else:
        _put_trial(trial)
    return EXIT_FAILED if trial.crosses else EXIT_DONE


def _put_trial(trial: Trial) -> None:
    file = trial.plan.file
    rows = [
        [
            shortened(one.name, 22),
            shortened(", ".join(one.affected.nodes) or "-", 22),
            number(one.residual_lu),
            number(one.level_change_lu),
            "over" if one.crosses(trial.plan) else "",
        ]
        for one in trial.tried
    ]
    put(table(["recipe", "nodes", "residual LU", "level", "limit"], rows, left=2) if rows else "no recipe is touched")
    for one in trial.tried:
        for reading in one.readings[:4]:
            put(f"  {reading}")
        where = f"{one.name}, {one.delivery}" if one.delivery else one.name
        put_lines(f"{where}: {one.sentence()}")
    put(
        f"limits in {trial.plan.path.name}: residual {file.max_residual_lu:g} LU after matching the level, "
        f"change of level {file.max_level_change_lu:g} LU"
    )


@app.command()
def apply(file: PlanFile, as_json: AsJson = False) -> int:
    """Retire and replace as the plan says, all or nothing; one that was killed is finished by the next.

    `cull undo` takes it back.
    """
    from chainrun.cull.apply import apply_cull

    done = apply_cull(file, progress=LibraryProgress(quiet=True))
    return _put_changes(done, as_json, "nothing to do: the plan keeps everything, or was applied already")


@app.command()
def undo(file: PlanFile, as_json: AsJson = False) -> int:
    """Take a cull back: presets return to their places, the overlay goes."""
    from chainrun.cull.apply import undo_cull

    return _put_changes(undo_cull(file), as_json, "nothing to take back")


def _put_changes(done: Sequence[CullChange], as_json: bool, nothing: str) -> int:
    told = [one.sentence() for one in done]
    if as_json:
        put_json({"schema_version": 1, "done": told})
    else:
        put("\n".join(told) if told else nothing)
    return EXIT_DONE
