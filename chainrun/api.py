"""chainrun for programs: a recipe loaded, checked and rendered, a file measured, two compared.

    import chainrun

    recipe = chainrun.load("song.recipe.toml", set={"buses.kit.chain.0.attack_ms": 4})
    result = chainrun.render(recipe, "out")
    print(result.deliveries[0].measured.integrated_lufs)
    print(result.reading_at("buses.kit.chain.0.gain_reduction_max_db"))
    print(chainrun.compare("before.wav", result.deliveries[0].file).sentence())

All raise ChainrunError, whose `problems` say what, where, and what would be allowed; nothing is printed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from chainrun.errors import (
    EXIT_AUDIO,
    EXIT_DONE,
    EXIT_RECIPE,
    AudioError,
    ChainrunError,
    Problem,
    UsageError,
    shown_path,
)
from chainrun.limits import Limits
from chainrun.plan import Plan, build_plan
from chainrun.problem_codes import Code
from chainrun.recipe import Opened, Overrides, open_recipe
from chainrun.recipe.expected import expectation_problems
from chainrun.recipe.load import refuse_retired
from chainrun.recipe.toml_text import toml_text

if TYPE_CHECKING:
    from chainrun.comparison.difference import Difference
    from chainrun.delivery import RenderResult
    from chainrun.loudness import Measured

__all__ = ["ChainrunError", "Checked", "Problem", "check", "check_recipe", "compare", "load", "measure", "render"]

Name = Path | str


def load(
    recipe: Name,
    *,
    variant: str | None = None,
    overlays: Sequence[Name] = (),
    set: Mapping[str, Any] | None = None,
    allow_roots: Sequence[Name] = (),
    limits: Sequence[str] = (),
) -> Opened:
    """A valid recipe, with variant, overlays and single values (`set`: path to value) laid over it, in this order.

    Neither stems nor their headers are read. Raises RecipeError, which tells all problems; UsageError for a limit.
    """
    return open_recipe(Path(recipe), _overrides(variant, overlays, set, allow_roots, limits))


@dataclass(frozen=True)
class Checked:
    """What a check found. `problems` has the warnings, too."""

    opened: Opened | None
    plan: Plan | None
    problems: tuple[Problem, ...]
    exit_code: int

    @property
    def valid(self) -> bool:
        """Whether it would render."""
        return self.exit_code == EXIT_DONE


def check(
    recipe: Name,
    *,
    variant: str | None = None,
    overlays: Sequence[Name] = (),
    set: Mapping[str, Any] | None = None,
    allow_roots: Sequence[Name] = (),
    limits: Sequence[str] = (),
    strict: bool = False,
) -> Checked:
    """Whether a recipe would render: its grammar, presets, expectations, all variants, and the stems' headers.

    `strict` takes a retired preset for an error. Raises nothing for a bad recipe: look at `valid` and `problems`.
    """
    return check_recipe(Path(recipe), _overrides(variant, overlays, set, allow_roots, limits), strict=strict)


def check_recipe(path: Path, chosen: Overrides, *, strict: bool = False) -> Checked:
    """`check`, with the overrides together."""
    from chainrun.verify.changed import changed_presets

    opened, plan = None, None
    problems: list[Problem] = []
    code = EXIT_DONE
    try:
        opened = open_recipe(path, chosen)
        if strict:
            refuse_retired(opened)
        problems += opened.problems.warnings
        if unknown := expectation_problems(opened):
            problems += unknown
            code = EXIT_RECIPE
        shown = shown_path(opened.path)
        problems += [
            Problem(text, file=shown, severity="warning", code=Code.CHANGED_PRESET) for text in changed_presets(opened)
        ]
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


def render(
    recipe: Opened | Name,
    out: Name = "out",
    *,
    only: Sequence[str] = (),
    store: Name | None = None,
    workers: int | None = None,
) -> RenderResult:
    """Render a recipe into the folder `out`: measured deliveries, nodes and their steps' readings.

    The recipe as it is written lands in `out`; with a variant, overlays or values it lands in `out`/RECIPE.CHANGE, and
    a solo (`only`) beside the whole under a name of its own: nothing of that is written over the mix.

    `store` is a folder in which prints are kept, so that nothing is rendered twice; without one none are. A target that
    was missed is no error: see the result's `failures`. Raises RecipeError, AudioError, ResourceError.
    """
    from chainrun.delivery import RenderOptions
    from chainrun.delivery import render as run
    from chainrun.store import hasher

    opened = recipe if isinstance(recipe, Opened) else load(recipe)
    kept = Path(store) if store is not None else None
    plan = build_plan(opened, only=only, hash_file=hasher(kept))
    return run(plan, plan.origin.folder_in(Path(out)), RenderOptions(store=kept, workers=workers))


def measure(file: Name) -> Measured:
    """All readings of a file of 1 to 6 channels: loudness (ITU-R BS.1770-5, EBU R 128), peaks, level, image, bands.

    Raises AudioError.
    """
    from chainrun.measuring import measure_file

    return measure_file(Path(file))


def compare(a: Name, b: Name, *, match: bool = True) -> Difference:
    """What differs between two mono or stereo files, B aligned in time and matched in loudness unless `match` is False.

    Raises AudioError.
    """
    from chainrun.comparison.difference import difference

    return difference(Path(a), Path(b), match=match)


def _overrides(
    variant: str | None,
    overlays: Sequence[Name],
    values: Mapping[str, Any] | None,
    allow_roots: Sequence[Name],
    limits: Sequence[str],
) -> Overrides:
    return Overrides(
        variant,
        tuple(Path(one) for one in overlays),
        tuple(_assignment(path, value) for path, value in (values or {}).items()),
        tuple(Path(one) for one in allow_roots),
        Limits.of(limits),
    )


def _assignment(path: str, value: Any) -> str:
    try:
        return f"{path}={toml_text(value)}"
    except TypeError as error:
        raise UsageError(
            Problem(
                "a recipe cannot hold such a value",
                key=path,
                given=type(value).__name__,
                hint=str(error),
                code=Code.BAD_ASSIGNMENT,
            )
        ) from error
