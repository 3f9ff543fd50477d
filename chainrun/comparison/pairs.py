"""Two things to be compared, each an audio file or a recipe: recipes are rendered, and their first delivery counts."""

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
"""Is called with a node's name and the share of it that is rendered."""
RECIPE_ENDING = ".toml"


@dataclass(frozen=True)
class Compared:
    """One of two things that are compared: an audio file, or a recipe with or without a variant."""

    path: Path
    variant: str | None = None

    @property
    def label(self) -> str:
        """`song.recipe.toml (softer)`."""
        return f"{self.path} ({self.variant})" if self.variant else str(self.path)

    @property
    def is_recipe(self) -> bool:
        """Whether it has to be rendered."""
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
    """What differs between two recipes, variants or audio files; B against A. Nothing that was rendered is kept.

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
    """The same, for as long as the rendered files are wanted: they lie in a folder that goes with the block.

    `chosen` is laid over both recipes, but for its variant. B is aligned in time and matched in loudness, unless
    `match` is False. Raises RecipeError, AudioError, ResourceError, and UsageError for a variant of an audio file.
    """
    with work_folder("chainrun-compare") as work:
        one, other = (
            _sound(side, work / str(k), chosen or Overrides(), options or RenderOptions(), progress)
            for k, side in enumerate((a, b))
        )
        yield difference(one, other, match=match)


def _sound(side: Compared, out: Path, chosen: Overrides, options: RenderOptions, progress: Progress | None) -> Path:
    """The file itself, or what a recipe renders: its first delivery."""
    if not side.is_recipe:
        if side.variant is not None:
            message, facts = "an audio file has no variants", (("asked_by", "variant"),)
            raise UsageError(Problem(message, given=str(side.path), code=Code.NOT_COMPARABLE, facts=facts))
        read_header(side.path, chosen.limits)
        return side.path
    opened = open_recipe(side.path, replace(chosen, variant=side.variant))
    plan = build_plan(opened, hash_file=hasher(options.store))
    return Path(render(plan, out, options, progress=progress).deliveries[0].file)
