"""Finds the uses of presets in recipes: node, changed values, and day of the last render."""

from __future__ import annotations

import glob
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from chainrun.errors import ChainrunError, Problem, UsageError, shown_path
from chainrun.problem_codes import Code
from chainrun.recipe import Overrides, open_recipe
from chainrun.recipe.load import recipe_name
from chainrun.recipe.presets import Use
from chainrun.store.store import Store


@dataclass(frozen=True)
class UseAt:
    """One use of a preset."""

    preset: str
    """Its current name."""
    recipe: Path
    node: str
    """Node that uses it: `stems.kick`, `buses.kit` or `main`."""
    path: str
    """Path of the use, as an overlay addresses it; empty inside another preset."""
    changes: Mapping[str, object] = field(default_factory=dict, hash=False)
    """The use's `set`: values by their paths inside the preset."""
    variant: str | None = None
    inherited: bool = False
    """For a variant: whether the recipe has the same use without the variant."""
    allow_roots: tuple[Path, ...] = ()
    """More folders that the recipe may read."""

    @property
    def overrides(self) -> Overrides:
        """The overrides to open the recipe with."""
        return Overrides(self.variant, allow_roots=self.allow_roots)


@dataclass(frozen=True)
class Usage:
    """All uses of presets in a set of recipes, and recipes that could not be read."""

    uses: tuple[UseAt, ...] = ()
    recipes: tuple[Path, ...] = ()
    """Recipes that could be read."""
    unreadable: Mapping[Path, str] = field(default_factory=dict)
    """Recipes that could not be read, each with the first reason."""

    def of(self, name: str) -> list[UseAt]:
        """Uses of one preset; a use that a variant inherits from its recipe is not counted again."""
        return [use for use in self.uses if use.preset == name and not use.inherited]


def recipe_files(patterns: Iterable[str]) -> list[Path]:
    """Recipes by globs and paths. Raises UsageError for a pattern without recipes."""
    found: list[Path] = []
    for pattern in patterns:
        here = [Path(one) for one in sorted(glob.glob(pattern, recursive=True)) if one.endswith(".recipe.toml")]
        if not here and Path(pattern).is_file():  # a plain path that contains brackets
            here = [Path(pattern)]
        if not here:
            raise UsageError(
                Problem(
                    "no recipe matches",
                    given=pattern,
                    hint="songs/*.recipe.toml, in quotes",
                    code=Code.NO_RECIPE_MATCHES,
                )
            )
        found += here
    return list(dict.fromkeys(found))


def names_of(recipes: Iterable[Path]) -> dict[Path, str]:
    """Each recipe's name, or its path if several have the same name."""
    paths = list(dict.fromkeys(recipes))
    names = [recipe_name(path) for path in paths]
    return {path: name if names.count(name) == 1 else shown_path(path) for path, name in zip(paths, names, strict=True)}


def usage(recipes: Sequence[Path], allow_roots: Sequence[Path] = ()) -> Usage:
    """Find the uses of presets in recipes and their variants; invalid ones are left out, with reasons."""
    roots = tuple(allow_roots)
    uses: list[UseAt] = []
    valid: list[Path] = []
    unreadable: dict[Path, str] = {}
    for path in recipes:
        try:
            opened = open_recipe(path, Overrides(allow_roots=roots))
        except ChainrunError as error:
            unreadable[path] = error.problems[0].text()
            continue
        valid.append(path)
        plain = [_use_at(path, use, roots) for use in opened.uses]
        uses += plain
        for name in opened.recipe.variants:
            try:
                variant = open_recipe(path, Overrides(name, allow_roots=roots))
            except ChainrunError as error:
                unreadable[path] = f"variant {name}: {error.problems[0].text()}"
                continue
            for use in variant.uses:
                one = _use_at(path, use, roots)
                uses.append(replace(one, variant=name, inherited=one in plain))
    return Usage(tuple(uses), tuple(valid), unreadable)


def _use_at(path: Path, use: Use, roots: tuple[Path, ...]) -> UseAt:
    return UseAt(use.name, path, use.chain_path.removesuffix(".chain"), use.path, use.changes, allow_roots=roots)


def last_rendered(uses: Iterable[UseAt], store: Path | None) -> dict[tuple[Path, str | None], str]:
    """Day on which each recipe or variant was last delivered, by `render` or a batch with this store."""
    if store is None:
        return {}
    kept = Store(store)
    mixes = dict.fromkeys((use.recipe, use.variant) for use in uses)
    days = {mix: kept.last_render(*mix) for mix in mixes}
    return {mix: day for mix, day in days.items() if day is not None}
