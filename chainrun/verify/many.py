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
    """A recipe, or one of its variants, to verify."""

    path: Path
    chosen: Overrides

    @property
    def name(self) -> str:
        """Name of the mix: `song`, or `song.quieter` for a variant."""
        return recipe_name(self.path) + (f".{self.chosen.variant}" if self.chosen.variant else "")


def mixes_of(recipes: Sequence[Path], chosen: Overrides) -> list[Mix]:
    """The recipes and all their variants; with a chosen variant, that one of each."""
    return [
        Mix(path, one)
        for path in recipes
        for one in ([chosen] if chosen.variant else [chosen, *_variants(path, chosen)])
    ]


def _variants(path: Path, chosen: Overrides) -> list[Overrides]:
    """The recipe's variants, and former ones that still have a baseline; empty if the recipe cannot be opened."""
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
    """Verify or accept mixes one after another; yields a verdict or a refusal for each.

    With an `out` folder, several mixes get a folder each in it. A refused recipe does not stop the others.
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
