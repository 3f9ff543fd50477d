"""Tries a cull: renders each affected recipe without and with it, and compares."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from chainrun.comparison.before_after import BEFORE, render_before_after
from chainrun.comparison.difference import Difference
from chainrun.cull.journal import alone, begun, refuse_unfinished
from chainrun.cull.overlay_files import overlay_text
from chainrun.cull.plan import CullPlan, read_plan
from chainrun.delivery import RenderOptions, RenderResult
from chainrun.errors import ChainrunError, Problem, ResourceError, UsageError
from chainrun.library.alike import profiles
from chainrun.library.progress import Progress
from chainrun.library.queries import Likeness, likeness
from chainrun.library.shelf import Shelf
from chainrun.library.usage import Usage, names_of, recipe_files, usage
from chainrun.problem_codes import Code
from chainrun.recipe import Overrides, open_recipe
from chainrun.recipe.load import recipe_name
from chainrun.whole_file import work_folder, write_whole

MIN_READING_CHANGE_DB = 0.5
"""Minimum change of a gain reduction that is named."""


@dataclass(frozen=True)
class Affected:
    """A recipe, or one of its variants, in which a cull replaces presets."""

    recipe: Path
    variant: str | None
    nodes: tuple[str, ...]
    """Nodes that use a replaced preset."""
    presets: tuple[str, ...]
    label: str = ""
    """The recipe's name, or its path if several have the same name."""
    allow_roots: tuple[Path, ...] = ()
    """More folders that the recipe may read."""

    def overrides(self, *overlays: Path) -> Overrides:
        """The overrides to open it with, and these overlays."""
        return Overrides(self.variant, overlays, allow_roots=self.allow_roots)

    @property
    def name(self) -> str:
        """Name for a table, with the variant in brackets."""
        return (self.label or recipe_name(self.recipe)) + (f" ({self.variant})" if self.variant else "")


@dataclass(frozen=True)
class Tried:
    """Result of rendering an affected recipe without and with the cull."""

    affected: Affected
    found: Difference | None = None
    """Difference of the delivery that changes most; None if the recipe does not render."""
    delivery: str = ""
    error: str | None = None
    """Reason why it does not render under the cull: for example, the successor lacks a path of `set`."""
    files: tuple[Path, Path] | None = None
    """Both renders of that delivery, if they are kept."""
    readings: tuple[str, ...] = ()
    """Changed gain reductions, in words."""

    @property
    def name(self) -> str:
        """Name for a table, with the variant in brackets."""
        return self.affected.name

    @property
    def residual_lu(self) -> float | None:
        """Residual of the mix; None if it does not render."""
        return self.found.residual_lu if self.found is not None else None

    @property
    def level_change_lu(self) -> float | None:
        """Change of the mix's level; None if it does not render."""
        return -self.found.gain_db if self.found is not None else None

    def crosses(self, plan: CullPlan) -> bool:
        """Whether its residual or change of level exceeds the plan's limits, or it does not render."""
        if self.residual_lu is None or self.level_change_lu is None:
            return True
        over = abs(self.level_change_lu) > plan.file.max_level_change_lu
        return over or self.residual_lu > plan.file.max_residual_lu

    def sentence(self) -> str:
        """The difference in one sentence, or the reason why it does not render."""
        if self.found is None or self.level_change_lu is None:
            return self.error or ""
        change = abs(self.level_change_lu)
        level = f"; {change:.1f} LU {'louder' if self.level_change_lu > 0 else 'quieter'}" if change >= 0.1 else ""
        return self.found.sentence() + level

    def record(self, plan: CullPlan) -> dict[str, object]:
        """The result as a JSON object."""
        return {
            "recipe": str(self.affected.recipe),
            "variant": self.affected.variant,
            "nodes": list(self.affected.nodes),
            "presets": list(self.affected.presets),
            "error": self.error,
            "crosses_limit": self.crosses(plan),
            "level_change_lu": round(self.level_change_lu, 3) if self.level_change_lu is not None else None,
            "readings": list(self.readings),
            "delivery": self.delivery or None,
            "comparison": self.found.record() if self.found is not None else None,
            "files": list(map(str, self.files)) if self.files is not None else None,
        }


@dataclass(frozen=True)
class Trial:
    """All recipes that a plan affects, each rendered without and with it; the largest residual first."""

    plan: CullPlan
    tried: tuple[Tried, ...]
    usage: Usage = field(repr=False)

    @property
    def crosses(self) -> bool:
        """Whether any of them exceeds the plan's limits."""
        return any(one.crosses(self.plan) for one in self.tried)

    def record(self) -> dict[str, object]:
        """The trial as a JSON document."""
        file = self.plan.file
        return {
            "schema_version": 2,
            "max_residual_lu": file.max_residual_lu,
            "max_level_change_lu": file.max_level_change_lu,
            "recipes": [one.record(self.plan) for one in self.tried],
        }


def try_cull(
    plan: Path,
    *,
    out: Path | None = None,
    store: Path | None = None,
    workers: int | None = None,
    progress: Progress | None = None,
    allow_roots: Sequence[Path] = (),
) -> Trial:
    """Render every recipe and variant that a plan's replacements affect, without and with them, and compare.

    Changes no preset or recipe; `out` keeps both renders of each. A recipe that does not render has an `error`. Raises
    RecipeError for a plan that is not valid, UsageError for its patterns or if a cull by it was interrupted,
    ResourceError if another cull is running or a full disk stops a render.
    """
    reporter = progress or Progress()
    if plan.exists():
        with alone(plan):
            if begun(plan) is not None:
                message, hint = (
                    "a cull of this plan was interrupted",
                    "finish it with cull apply or cull undo",
                )
                raise UsageError(Problem(message, hint=hint, code=Code.CULL_INTERRUPTED))
    read = read_plan(plan)
    refuse_unfinished(read)
    known = usage_of(read, allow_roots)
    reporter.unreadable(known.unreadable)
    tried = _attempt(read, known, out, RenderOptions(workers=workers, store=store), reporter)
    reporter.done()
    return Trial(read, tuple(tried), known)


def trial_likeness(trial: Trial, *, store: Path | None = None, progress: Progress | None = None) -> Likeness:
    """Compare the presets of a plan's libraries: those that are current, and those that the plan removes."""
    plan, reporter = trial.plan, progress or Progress()
    shelf = Shelf(plan.folders)
    gone = {one.name for one in plan.file.preset if one.decision != "keep"}
    names = [name for name, one in shelf.presets.items() if one.status == "current" or name in gone]
    found = likeness(shelf, profiles(shelf, names, store, reporter), trial.usage)
    reporter.done()
    return found


def usage_of(plan: CullPlan, allow_roots: Sequence[Path] = ()) -> Usage:
    """Uses of presets in the plan's recipes. Raises UsageError for a pattern without recipes."""
    return usage(recipe_files(plan.patterns) if plan.patterns else [], allow_roots)


def affected(plan: CullPlan, known: Usage) -> list[Affected]:
    """Every recipe and variant in which a preset is replaced."""
    replaced = plan.replacements()
    labels = names_of(known.recipes)
    uses = [use for use in known.uses if use.preset in replaced]
    found = []
    for recipe, variant in dict.fromkeys((use.recipe, use.variant) for use in uses):
        here = [use for use in uses if (use.recipe, use.variant) == (recipe, variant)]
        nodes = tuple(dict.fromkeys(use.node for use in here))
        presets = tuple(dict.fromkeys(use.preset for use in here))
        found.append(Affected(recipe, variant, nodes, presets, labels[recipe], here[0].allow_roots))
    return found


@contextmanager
def _overlay(plan: CullPlan) -> Iterator[Path]:
    """The plan's overlay in a temporary folder."""
    with work_folder("chainrun-cull") as work:
        overlay = work / f"{plan.file.year}.overlay.toml"
        write_whole(overlay, overlay_text(plan))
        yield overlay


def refusals(plan: CullPlan, known: Usage) -> list[str]:
    """Problems of recipes that do not open under the plan's overlay: `set` paths that a successor lacks."""
    found = []
    with _overlay(plan) as overlay:
        for one in affected(plan, known):
            try:
                open_recipe(one.recipe, one.overrides(overlay))
            except ChainrunError as error:
                found += [f"{one.name}, under the overlay: {problem.text()}" for problem in error.problems]
    return list(dict.fromkeys(found))


def _attempt(plan: CullPlan, known: Usage, out: Path | None, options: RenderOptions, progress: Progress) -> list[Tried]:
    """Render all affected recipes without and with the replacements; the largest residual first."""
    tried = []
    taken: set[str] = set()
    with _overlay(plan) as overlay:
        for one in affected(plan, known):
            name = recipe_name(one.recipe) + (f".{one.variant}" if one.variant else "")
            number = 2
            while name in taken:  # recipes of one name in two folders
                name, number = f"{name.rpartition('-')[0] if number > 2 else name}-{number}", number + 1
            taken.add(name)
            folder = (out if out is not None else overlay.parent) / name
            tried.append(_rendered(one, overlay, folder, options, progress, keeps=out is not None))
    return sorted(tried, key=lambda one: -one.residual_lu if one.residual_lu is not None else -math.inf)


def _rendered(
    one: Affected, overlay: Path, folder: Path, options: RenderOptions, progress: Progress, *, keeps: bool
) -> Tried:
    without, under = one.overrides(), one.overrides(overlay)
    try:
        both = render_before_after(one.recipe, without, under, folder, options=options, progress=progress.node)
        compared = both.largest_change()
    except ResourceError:
        raise  # a full disk affects all recipes
    except ChainrunError as error:
        return Tried(one, error=error.problems[0].text())
    return Tried(
        one,
        compared.difference,
        compared.before.relative_to(folder / BEFORE).as_posix(),
        files=(compared.before, compared.after) if keeps else None,
        readings=tuple(_changed_readings(both.before, both.after)),
    )


def _changed_readings(before: RenderResult, after: RenderResult) -> list[str]:
    """Changes of gain reductions, in words."""
    was, now = _reductions(before), _reductions(after)
    changed = [
        f"{step}: {was[step]:.1f} to {now[step]:.1f} dB"
        for step in was
        if step in now and abs(now[step] - was[step]) >= MIN_READING_CHANGE_DB
    ]
    return (
        changed
        + [f"{step} was removed" for step in was if step not in now]
        + [f"{step} is new" for step in now if step not in was]
    )


def _reductions(result: RenderResult) -> dict[str, float]:
    """Maximum gain reduction of each step in dB, by node and step."""
    return {
        f"{node.name} {one.named.removeprefix('chain.')}": one.gain_reduction_max_db
        for node in result.nodes
        for one in node.readings
    }
