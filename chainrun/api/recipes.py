"""Functions for programs: load, check, plan and render recipes."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from chainrun.api.guard import Name, guarded, path_or_none, several
from chainrun.errors import (
    EXIT_AUDIO,
    EXIT_DONE,
    EXIT_RECIPE,
    AudioError,
    ChainrunError,
    Problem,
    UsageError,
)
from chainrun.limits import Limits
from chainrun.plan import Plan, build_plan
from chainrun.problem_codes import Code
from chainrun.recipe import Opened, Overrides, open_recipe
from chainrun.recipe.expected import expectation_problems
from chainrun.recipe.renamed import FileKind
from chainrun.recipe.toml_text import as_toml

if TYPE_CHECKING:
    from chainrun.delivery import RenderResult


Value = str | int | float | bool | Sequence["Value"] | Mapping[str, "Value"]
"""A value of a recipe, given by a program."""
Progress = Callable[[str, float], None]
"""Called with a node's name and its rendered share, 0 to 1."""


@guarded
def load(
    recipe: Name,
    *,
    variant: str | None = None,
    overlays: Sequence[Name] = (),
    set: Mapping[str, Value] | None = None,
    allow_roots: Sequence[Name] = (),
    limits: Sequence[str] = (),
) -> Opened:
    """Open a recipe and apply variant, overlays and single values (`set`: path to value), in this order.

    Does not read the stems or their headers. `limits` are texts like "work_h=30". Raises RecipeError with all problems,
    UsageError for an invalid limit or value.

    Example:
        recipe = chainrun.load("song.recipe.toml", variant="loud", set={"buses.kit.chain.0.attack_ms": 4})
        print(recipe.name, list(recipe.recipe.stems))
    """
    return open_recipe(Path(recipe), _overrides(variant, overlays, set, allow_roots, limits))


def opened_recipe(recipe: Opened | Name) -> Opened:
    """The recipe itself if it is open already, else opened by its name."""
    return recipe if isinstance(recipe, Opened) else load(recipe)


@dataclass(frozen=True)
class Checked:
    """Result of a check; `problems` includes warnings."""

    opened: Opened | None
    plan: Plan | None
    problems: tuple[Problem, ...]
    exit_code: int
    about: str = ""
    """Description of a checked file that is not a recipe, such as a preset; empty for a recipe."""

    @property
    def valid(self) -> bool:
        """Whether it would render."""
        return self.exit_code == EXIT_DONE


@guarded
def check(
    recipe: Name,
    *,
    variant: str | None = None,
    overlays: Sequence[Name] = (),
    set: Mapping[str, Value] | None = None,
    allow_roots: Sequence[Name] = (),
    limits: Sequence[str] = (),
    strict: bool = False,
) -> Checked:
    """Check whether a recipe would render: grammar, presets, expectations, all variants, and the stems' headers.

    It also checks a file around recipes: a preset, an overlay, a file of jobs, a cull plan, a baseline.

    With `strict`, warnings about presets (retired, changed) are errors. An invalid recipe raises nothing: see `valid`
    and `problems`.

    Example:
        checked = chainrun.check("song.recipe.toml")
        for problem in checked.problems:
            print(problem.code, problem.text())
        assert checked.valid
    """
    return check_recipe(Path(recipe), _overrides(variant, overlays, set, allow_roots, limits), strict=strict)


def check_recipe(path: Path, chosen: Overrides, *, strict: bool = False) -> Checked:
    """Check a recipe as `check` does, with all overrides in one object."""
    from chainrun.verify.changed import changed_preset_problems, refuse_preset_warnings

    kind = FileKind.of_name(path.name)
    if kind not in (None, FileKind.RECIPE):
        return _checked_other(path, kind)
    opened, plan = None, None
    problems: list[Problem] = []
    code = EXIT_DONE
    try:
        opened = open_recipe(path, chosen)
        if strict:
            refuse_preset_warnings(opened)
        problems += [one for one in opened.problems.warnings if one.code is not Code.OLD_NAMES]
        problems += opened.problems.renamed
        if unknown := expectation_problems(opened):
            problems += unknown
            code = EXIT_RECIPE
        problems += changed_preset_problems(opened)
        plan = build_plan(opened, hash_file=None)
        problems += plan.problems[len(opened.problems.warnings) :]
        for name in opened.recipe.variants if chosen.variant is None else ():
            build_plan(open_recipe(path, replace(chosen, variant=name)), hash_file=None)
    except AudioError as error:
        problems += error.problems
        code = code or EXIT_AUDIO
    except ChainrunError as error:
        problems += error.problems
        code = error.exit_code
    return Checked(opened, plan, tuple(problems), code)


def _checked_other(path: Path, kind: FileKind) -> Checked:
    from chainrun.api.other_files import check_other

    try:
        about, problems = check_other(path, kind)
    except ChainrunError as error:
        return Checked(None, None, tuple(error.problems), error.exit_code)
    return Checked(None, None, tuple(problems), EXIT_DONE, about)


@guarded
def make_plan(
    recipe: Opened | Name,
    *,
    only: Sequence[str] = (),
    from_s: float | None = None,
    to_s: float | None = None,
    store: Name | None = None,
) -> Plan:
    """Plan a recipe without rendering: all of it, some stems and buses (`only`), or a part from `from_s` to `to_s`.

    Hashes the stems; a `store` keeps the hashes. Raises RecipeError, AudioError, UsageError.

    Example:
        whole = chainrun.make_plan("song.recipe.toml")
        print(whole.session_s, [node.name for node in whole.nodes])
    """
    from chainrun.store import hasher

    opened = opened_recipe(recipe)
    hash_file = hasher(path_or_none(store))
    return build_plan(opened, only=[str(one) for one in several(only)], from_s=from_s, to_s=to_s, hash_file=hash_file)


@guarded
def render(
    recipe: Opened | Plan | Name,
    out: Name = "out",
    *,
    only: Sequence[str] = (),
    from_s: float | None = None,
    to_s: float | None = None,
    store: Name | None = None,
    workers: int | None = None,
    progress: Progress | None = None,
) -> RenderResult:
    """Render a recipe into the folder `out`; returns measured deliveries, nodes and their steps' readings.

    A recipe with a variant, overlays or values is rendered into `out`/RECIPE.CHANGE. A render of some stems and buses
    (`only`) or of a part (`from_s`, `to_s`, in seconds) gets file names of its own, so that it never overwrites the
    mix. A plan (`make_plan`) is rendered as it is.

    `store` is a folder that keeps prints, so that nothing is rendered twice; the default keeps none. `workers` is the
    number of processes; by default this process renders. Each worker imports your main script, so a script that asks
    for several needs `if __name__ == "__main__":` around its calls. A missed target is not an error: see `failures`
    and `misses` of the result. Raises RecipeError, AudioError, UsageError, ResourceError.

    Example:
        result = chainrun.render("song.recipe.toml", "solo", only=["kick"], from_s=0.1, store="prints", workers=1)
        print(result.deliveries[0].file, result.nodes[0].measured.sample_peak_dbfs)
    """
    from chainrun.delivery import RenderOptions
    from chainrun.delivery import render as run
    from chainrun.scheduler import warm_up

    if (workers or 0) > 1:
        warm_up()
    if isinstance(recipe, Plan) and (only or from_s is not None or to_s is not None):
        raise UsageError(
            Problem(
                "a plan already has its selection of nodes and its part of the session",
                hint="pass only, from_s and to_s to make_plan",
                code=Code.OPTIONS_CLASH,
            )
        )
    made = recipe if isinstance(recipe, Plan) else make_plan(recipe, only=only, from_s=from_s, to_s=to_s, store=store)
    options = RenderOptions(store=path_or_none(store), workers=workers)
    return run(made, made.origin.folder_in(Path(out)), options, progress=progress)


def _overrides(
    variant: str | None,
    overlays: Sequence[Name] | Name,
    values: Mapping[str, Value] | None,
    allow_roots: Sequence[Name] | Name,
    limits: Sequence[str] | str,
) -> Overrides:
    if values is not None and not isinstance(values, Mapping):
        raise UsageError(
            Problem("set must be a dict of paths and values", given=type(values).__name__, code=Code.BAD_ASSIGNMENT)
        )
    return Overrides(
        variant,
        tuple(Path(one) for one in several(overlays)),
        allow_roots=tuple(Path(one) for one in several(allow_roots)),
        limits=Limits.of([str(one) for one in several(limits)]),
        values=tuple(_checked_value(path, value) for path, value in (values or {}).items()),
    )


def _checked_value(path: str, value: Value) -> tuple[str, Value]:
    """A value and its path. Raises UsageError for a value that a recipe cannot hold."""
    if not isinstance(path, str):
        raise UsageError(Problem("a path in set must be a string", given=repr(path), code=Code.BAD_ASSIGNMENT))
    try:
        as_toml(value)
    except (TypeError, RecursionError) as error:
        raise UsageError(
            Problem(
                "a recipe cannot hold such a value",
                key=path,
                given=type(value).__name__,
                hint=str(error),
                code=Code.BAD_ASSIGNMENT,
            )
        ) from error
    return path, value
