"""chainrun cull: the yearly cull of the preset library."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from chainrun.cli.library_progress import LibraryProgress
from chainrun.cli.options import (
    AllowRoots,
    AsJson,
    Embed,
    NoStore,
    Quiet,
    Report,
    StoreFolder,
    Workers,
    files_of,
    paths,
    place_of_page,
    store_folder,
    write_page,
    written,
)
from chainrun.cli.presets import EveryRecipe, Libraries, Shares, libraries
from chainrun.cli.terminal import bad, number, put, put_json, put_lines, shortened, table
from chainrun.errors import EXIT_DONE, EXIT_FAILED
from chainrun.whole_file import work_folder

if TYPE_CHECKING:
    from chainrun.cull.apply import CullChange
    from chainrun.cull.trial import Trial

app = typer.Typer(name="cull", help="The yearly cull of presets: plan, try, apply, undo.", no_args_is_help=True)
PlanFile = Annotated[Path, typer.Argument(metavar="PLAN", help="A plan that `cull plan` wrote.", show_default=False)]


@app.command()
def plan(
    write: Annotated[Path, typer.Option("--write", metavar="FILE", help="The new plan: NAME.cull.toml.")],
    recipes: EveryRecipe = None,
    presets: Libraries = None,
    year: Annotated[int | None, typer.Option("--year", metavar="YEAR", help="Year of the cull. Default: now.")] = None,
    shares: Shares = False,
    store: StoreFolder = None,
    no_store: NoStore = False,
    allow_root: AllowRoots = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Propose which presets to keep, retire or replace.

    The plan gives reasons and costs. A person edits it, before `cull apply` carries it out.
    """
    from chainrun.cull.proposals import plan_cull, refuse_plan_path
    from chainrun.library.queries import EVERY_RECIPE

    refuse_plan_path(write)
    found = plan_cull(
        libraries(presets),
        files_of("--recipes", recipes) or EVERY_RECIPE,
        year=year,
        store=store_folder(store, no_store),
        render_shares=shares,
        progress=LibraryProgress(quiet=quiet or as_json),
        allow_roots=paths("--allow-root", allow_root),
    )
    found.write(write)
    counts = {word: found.count(word) for word in ("keep", "retire", "replace")}
    n = len(found.unreadable)
    if as_json:
        put_json({"schema_version": 1, **counts, "unreadable": n, "written": written(write)})
    else:
        put(f"wrote {write}: " + ", ".join(f"{count} to {word}" for word, count in counts.items()))
        if n:
            put(f"{n} recipe{'s' if n != 1 else ''} could not be read, so no preset is retired as unused")
        else:
            put(f"next: read and edit it, then  chainrun cull try {write}")
    return EXIT_FAILED if n else EXIT_DONE


@app.command("try")
def try_(
    file: PlanFile,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", metavar="DIR", help="Keep both renders of each recipe here.")
    ] = None,
    workers: Workers = None,
    store: StoreFolder = None,
    no_store: NoStore = False,
    allow_root: AllowRoots = None,
    report: Report = None,
    embed: Embed = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Render affected recipes with and without the plan, and compare.

    No preset or recipe is changed. Exit 1 if a recipe moves by more than the plan's limits.
    """
    from chainrun.cull.trial import trial_likeness, try_cull

    place, kept = place_of_page(report, embed), store_folder(store, no_store)
    progress = LibraryProgress(quiet=quiet or as_json)
    with work_folder("chainrun-try") as work:
        mixes = out if out is not None or place is None else work
        roots = paths("--allow-root", allow_root)
        trial = try_cull(file, out=mixes, store=kept, workers=workers, progress=progress, allow_roots=roots)
        page = None
        if place is not None:
            from chainrun.report.compared import cull_page

            alike = trial_likeness(trial, store=kept, progress=progress)
            page = write_page(cull_page(trial, alike, place), place)
    if as_json:
        put_json({**trial.record(), "written": written(page)})
    else:
        _put_trial(trial)
    return EXIT_FAILED if trial.crosses else EXIT_DONE


def _put_trial(trial: Trial) -> None:
    file = trial.plan.file
    rows = [
        [
            shortened(one.name, 24),
            shortened(", ".join(one.affected.nodes) or "-", 20),
            number(one.residual_lu),
            number(one.level_change_lu),
            bad("exceeded") if one.crosses(trial.plan) else "kept",
        ]
        for one in trial.tried
    ]
    put(
        table(["recipe", "nodes", "residual LU", "louder LU", "limits"], rows, left=2)
        if rows
        else "no recipe is affected"
    )
    for one in trial.tried:
        for reading in one.readings[:4]:
            put(f"  {reading}")
        where = f"{one.name}, {one.delivery}" if one.delivery else one.name
        put_lines(f"{where}: {one.sentence()}")
    put(
        f"limits in {trial.plan.path.name}: residual {file.max_residual_lu:g} LU, matched in level; "
        f"{file.max_level_change_lu:g} LU louder or quieter"
    )


@app.command()
def apply(
    file: PlanFile,
    allow_root: AllowRoots = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Retire and replace presets as the plan says.

    All of it is done, or nothing. An apply that was killed is finished by the next one. `cull undo` takes it back.
    """
    from chainrun.cull.apply import apply_cull

    roots = paths("--allow-root", allow_root)
    done = apply_cull(file, progress=LibraryProgress(quiet=True), allow_roots=roots)
    return _put_changes(done, as_json, "nothing to do: the plan keeps everything, or was applied already")


@app.command()
def undo(
    file: PlanFile,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Take a cull back.

    Presets return to their places, and the overlay is removed.
    """
    from chainrun.cull.apply import undo_cull

    return _put_changes(undo_cull(file), as_json, "nothing to take back")


def _put_changes(done: Sequence[CullChange], as_json: bool, nothing: str) -> int:
    sentences = [one.sentence() for one in done]
    if as_json:
        put_json({"schema_version": 1, "done": sentences})
    else:
        put("\n".join(sentences) or nothing)
    return EXIT_DONE
