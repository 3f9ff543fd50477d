"""Compares two audio files or recipes; of a recipe, the first delivery is rendered and compared."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from chainrun.audiofile import read_header
from chainrun.comparison.difference import Difference, difference
from chainrun.delivery import RenderOptions, render
from chainrun.errors import Problem, UsageError
from chainrun.plan import build_plan
from chainrun.problem_codes import Code
from chainrun.recipe import Overrides, open_recipe
from chainrun.store import hasher
from chainrun.whole_file import work_folder

Progress = Callable[[str, float], None]
"""Called with a node's name and its rendered share, 0 to 1."""
RECIPE_ENDING = ".toml"


@dataclass(frozen=True)
class Compared:
    """One side of a comparison: an audio file, or a recipe with or without a variant."""

    path: Path
    variant: str | None = None

    @property
    def label(self) -> str:
        """`song.recipe.toml (quieter)`."""
        return f"{self.path} ({self.variant})" if self.variant else str(self.path)

    @property
    def is_recipe(self) -> bool:
        """Whether this side has to be rendered."""
        return self.path.name.endswith(RECIPE_ENDING)


def compare_recipes(
    a: Compared,
    b: Compared,
    chosen: Overrides | None = None,
    options: RenderOptions | None = None,
    *,
    match: bool = True,
    progress: Progress | None = None,
) -> Difference:
    """The difference of B from A, each a recipe, variant or audio file. Rendered files are not kept.

    The arguments and errors are those of `comparing`.
    """
    with comparing(a, b, chosen, options, match=match, progress=progress) as found:
        return found


@contextmanager
def comparing(
    a: Compared,
    b: Compared,
    chosen: Overrides | None = None,
    options: RenderOptions | None = None,
    *,
    match: bool = True,
    progress: Progress | None = None,
) -> Iterator[Difference]:
    """A context manager around `compare_recipes` that keeps the rendered files until the block ends.

    `chosen` applies to both recipes, except its variant. B is aligned in time and matched in loudness unless `match` is
    False. Raises RecipeError, AudioError, ResourceError, and UsageError for a variant of an audio file.
    """
    with work_folder("chainrun-compare") as work:
        one, other = (
            _sound(side, work / str(k), chosen or Overrides(), options or RenderOptions(), progress)
            for k, side in enumerate((a, b))
        )
        yield difference(one, other, match=match)


def _sound(side: Compared, out: Path, chosen: Overrides, options: RenderOptions, progress: Progress | None) -> Path:
    """The audio file itself, or the first delivery of the rendered recipe."""
    if not side.is_recipe:
        if side.variant is not None:
            message, facts = "an audio file has no variants", (("asked_by", "variant"),)
            raise UsageError(Problem(message, given=str(side.path), code=Code.NOT_COMPARABLE, facts=facts))
        read_header(side.path, chosen.limits)
        return side.path
    opened = open_recipe(side.path, replace(chosen, variant=side.variant))
    plan = build_plan(opened, hash_file=hasher(options.store))
    return Path(render(plan, out, options, progress=progress).deliveries[0].file)
