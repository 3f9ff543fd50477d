"""Verifies several recipes, each with its variants."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from chainrun.errors import ChainrunError
from chainrun.recipe import Overrides, open_recipe
from chainrun.recipe.load import recipe_name
from chainrun.verify.changed import orphans
from chainrun.verify.run import Progress, VerifyOptions, accept, verify_recipe
from chainrun.verify.verdicts import Refused, Verdict


@dataclass(frozen=True)
class Mix:
    """A recipe, or one of its variants, to be verified."""

    path: Path
    chosen: Overrides

    @property
    def name(self) -> str:
        """`song.softer`."""
        return recipe_name(self.path) + (f".{self.chosen.variant}" if self.chosen.variant else "")


def mixes_of(recipes: Sequence[Path], chosen: Overrides) -> list[Mix]:
    """All that has a baseline of its own: the recipes and their variants, or the chosen variant of each alone."""
    return [
        Mix(path, one)
        for path in recipes
        for one in ([chosen] if chosen.variant else [chosen, *_variants(path, chosen)])
    ]


def _variants(path: Path, chosen: Overrides) -> list[Overrides]:
    """The recipe's variants, and those whose baseline lies there yet; none where the recipe cannot be opened."""
    try:
        variants = list(open_recipe(path, replace(chosen, variant=None)).recipe.variants)
    except ChainrunError:
        return []
    return [replace(chosen, variant=one) for one in [*variants, *orphans(path.absolute(), variants)]]


def verify_mixes(
    mixes: Sequence[Mix],
    options: VerifyOptions,
    *,
    accepting: bool = False,
    with_audio: bool = False,
    progress: Progress | None = None,
) -> Iterator[Verdict | Refused]:
    """Verify one mix after the other, or accept them; yields a verdict for each, or why there is none.

    Several mixes with an `out` folder lie in a folder each. A recipe that is refused does not stop the others.
    """
    for mix in mixes:
        own = options if options.out is None or len(mixes) == 1 else replace(options, out=options.out / mix.name)
        try:
            opened = open_recipe(mix.path, mix.chosen)
            if accepting:
                yield accept(opened, own, with_audio=with_audio, progress=progress)
            else:
                yield verify_recipe(opened, own, progress=progress)
        except ChainrunError as error:
            yield Refused(mix.path, error)
