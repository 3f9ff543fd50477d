"""Functions for programs: yearly cull, batches, packs, walkthroughs."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from chainrun.api.guard import Name, guarded, path_or_none
from chainrun.api.recipes import Progress, opened_recipe
from chainrun.recipe import Opened

if TYPE_CHECKING:
    from chainrun.batch.run import BatchResult
    from chainrun.cull.apply import CullChange
    from chainrun.cull.proposals import Proposals
    from chainrun.cull.trial import Trial
    from chainrun.pack.make import PackResult


@guarded
def plan_cull(
    libraries: Sequence[Name], recipes: Sequence[str], *, year: int | None = None, store: Name | None = None
) -> Proposals:
    """Propose which presets to keep, retire or replace, from their sound on test signals and their uses in recipes.

    `recipes` are patterns or paths. Writes nothing: `proposals.write(Path("2026.cull.toml"))` does. Raises RecipeError
    for an invalid preset, UsageError for a pattern without recipes, ResourceError.

    Example:
        proposals = chainrun.plan_cull(["presets"], ["*.recipe.toml"], year=2026)
        proposals.write(Path("2026.cull.toml"))
        print(proposals.count("keep"), proposals.unreadable)
    """
    from chainrun.cull.proposals import plan_cull as run

    kept = path_or_none(store)
    return run([Path(one) for one in libraries], recipes, year=year, store=kept)


@guarded
def try_cull(plan: Name, *, out: Name | None = None, store: Name | None = None, workers: int | None = None) -> Trial:
    """Render every recipe that a plan affects, without and with it, and compare. Changes nothing.

    `out` is a folder that keeps the renders. Raises RecipeError, UsageError, ResourceError.

    Example:
        trial = chainrun.try_cull("2026.cull.toml", workers=1)
        print(trial.crosses, [one.residual_lu for one in trial.tried])
    """
    from chainrun.cull.trial import try_cull as run

    folder, kept = (path_or_none(one) for one in (out, store))
    return run(Path(plan), out=folder, store=kept, workers=workers)


@guarded
def apply_cull(plan: Name) -> list[CullChange]:
    """Retire and replace presets as a plan says, all or nothing.

    Recipes stay as written; an overlay names the successors. Locks the libraries meanwhile. Raises RecipeError,
    UsageError, ResourceError.

    Example:
        for change in chainrun.apply_cull("2026.cull.toml"):
            print(change.sentence())
    """
    from chainrun.cull.apply import apply_cull as run

    return run(Path(plan))


@guarded
def undo_cull(plan: Name) -> list[CullChange]:
    """Undo a cull, except for files edited since. Raises RecipeError, UsageError, ResourceError.

    Example:
        for change in chainrun.undo_cull("2026.cull.toml"):
            print(change.sentence())
    """
    from chainrun.cull.apply import undo_cull as run

    return run(Path(plan))


@guarded
def run_batch(jobs: Name, *, store: Name | None = None, workers: int | None = None) -> BatchResult:
    """Run the jobs of a file, except those whose files are up to date. A job that fails becomes a record.

    Raises RecipeError for an invalid file or jobs that would overwrite each other's files, ResourceError.

    Example:
        result = chainrun.run_batch("songs.jobs.toml", workers=1)
        print(result.failed, [record.state for record in result.records.values()])
    """
    from chainrun.batch.jobs import open_jobs
    from chainrun.batch.run import BatchOptions
    from chainrun.batch.run import run_batch as run

    kept = path_or_none(store)
    return run(open_jobs(Path(jobs)), BatchOptions(workers=workers, store=kept))


@guarded
def make_pack(
    recipe: Opened | Name,
    target: Name,
    *,
    processed: bool = False,
    licence: Name | None = None,
    store: Name | None = None,
    workers: int | None = None,
) -> PackResult:
    """Pack stems, the resolved recipe, measurements and the mix into one zip, `target`.

    `processed` packs stems after their chains instead of the recordings; `licence` is a text file that says what others
    may do with it. Raises RecipeError, AudioError, UsageError, ResourceError.

    Example:
        made = chainrun.make_pack("song.recipe.toml", "song.zip", workers=1)
        print(made.file, made.n_bytes)
    """
    from chainrun.pack.make import PackOptions
    from chainrun.pack.make import make_pack as run

    text, kept = (path_or_none(one) for one in (licence, store))
    opened = opened_recipe(recipe)
    return run(opened, Path(target), PackOptions(processed, text, workers, kept))


@guarded
def write_walkthrough(
    recipe: Opened | Name,
    page: Name,
    *,
    stems: Sequence[str] = (),
    from_s: float | None = None,
    to_s: float | None = None,
    store: Name | None = None,
    workers: int | None = None,
    progress: Progress | None = None,
) -> Path:
    """Write a page that shows a mix step by step, with the sound before and after each step; returns its file.

    `page` is a folder, or a single file NAME.html. Needs the extra `report`. Raises RecipeError, AudioError,
    UsageError, ResourceError.

    Example:
        print(chainrun.write_walkthrough("song.recipe.toml", "lesson", stems=["kick"], from_s=0.0, to_s=0.4, workers=1))
    """
    from chainrun.report.page import PagePlace
    from chainrun.walkthrough.page import WalkthroughOptions, walkthrough

    opened = opened_recipe(recipe)
    kept = path_or_none(store)
    options = WalkthroughOptions(tuple(stems), from_s, to_s, workers, kept)
    return walkthrough(opened, PagePlace.of(Path(page)), options, progress=progress or (lambda _name, _share: None))
