"""Several recipes rendered one after the other, each with a page where one is asked for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from chainrun.delivery import RenderOptions, RenderResult, render
from chainrun.engine import EventLog
from chainrun.errors import Problem, UsageError
from chainrun.plan import Plan, build_plan
from chainrun.plan.plan import folder_of
from chainrun.problem_codes import Code
from chainrun.recipe import Opened, Overrides, open_recipe
from chainrun.recipe.load import recipe_name
from chainrun.scheduler import warm_up
from chainrun.store import Store, hasher
from chainrun.verify.changed import refuse_preset_warnings
from chainrun.whole_file import work_folder

if TYPE_CHECKING:
    from chainrun.report.page import PagePlace

Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class RendersOptions:
    """Which part of the recipes is rendered, and how."""

    only: tuple[str, ...] = ()
    """Stems and buses that sound; empty for all."""
    from_s: float | None = None
    to_s: float | None = None
    """The stretch of the session to deliver, in seconds."""
    workers: int | None = None
    """Worker processes; None for automatic."""
    store: Path | None = None
    """Folder of cached prints; None caches none."""
    strict: bool = False
    """Whether warnings about presets (retired, changed) are errors."""
    page: PagePlace | None = None
    """Where the page of each is written; None for no pages."""


@dataclass(frozen=True)
class RenderedRecipe:
    """A recipe with the result of its render and its page."""

    opened: Opened
    result: RenderResult
    page: Path | None


def render_recipes(
    recipes: Sequence[Path],
    out: Path,
    chosen: Overrides | None = None,
    options: RendersOptions | None = None,
    *,
    log: EventLog | None = None,
    progress: Progress | None = None,
    say: Callable[[str], None] | None = None,
    ended: Callable[[RenderedRecipe], None] = lambda _one: None,
) -> list[RenderedRecipe]:
    """Render recipes into a folder: one into `out` itself, several into a folder each, RECIPE.CHANGE if changed.

    All are validated before the first is rendered. `ended` is called after each. Raises UsageError where two would
    write into one folder, RecipeError, AudioError, ResourceError.
    """
    chosen, options = chosen or Overrides(), options or RendersOptions()
    folders = [_folder(path, out, len(recipes), chosen) for path in recipes]
    if len(set(folders)) < len(folders):
        raise UsageError(
            Problem(
                "two recipes of this name would write into the same folder",
                hint="render them one by one, each into a folder of its own",
                code=Code.FOLDER_OF_ANOTHER_RECIPE,
            )
        )
    log = log or EventLog(None)
    found = []
    with ExitStack() as stack:
        store, place = options.store, options.page
        if place is not None and store is None:  # the page reads prints
            store = stack.enter_context(work_folder("chainrun-report"))
        for (opened, plan), folder in zip(_planned(recipes, chosen, options, store), folders, strict=True):
            log.run = ""
            how = RenderOptions(workers=options.workers, store=store)
            result = render(plan, folder, how, progress=progress, log=log, say=say)
            if options.store is not None:
                Store(options.store).note_render(opened.path, opened.variant)
            found.append(RenderedRecipe(opened, result, _page(opened, result, place)))
            ended(found[-1])
    return found


def _planned(
    recipes: Sequence[Path], chosen: Overrides, options: RendersOptions, store: Path | None
) -> list[tuple[Opened, Plan]]:
    session = [open_recipe(path, chosen) for path in recipes]
    if (options.workers or 0) > 1:
        warm_up()  # the server of workers imports the engine while stems are hashed
    for opened in session:
        if options.strict:
            refuse_preset_warnings(opened)
    solo, hash_file = options.only, hasher(store)
    return [
        (opened, build_plan(opened, only=solo, from_s=options.from_s, to_s=options.to_s, hash_file=hash_file))
        for opened in session
    ]


def _page(opened: Opened, result: RenderResult, place: PagePlace | None) -> Path | None:
    if place is None:
        return None
    from chainrun.report.mix import mix_page
    from chainrun.report.page import write_page

    return write_page(mix_page(opened, result, place), place)


def _folder(path: Path, out: Path, n_recipes: int, chosen: Overrides) -> Path:
    name = recipe_name(path)
    return out / name if n_recipes > 1 and not chosen.change else folder_of(name, chosen.change, out)
