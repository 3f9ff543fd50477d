"""Questions to preset libraries: what one preset does, where it is used, and which ones do nearly the same."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from chainrun.contract import Step
from chainrun.library.alike import MAX_ALIKE_LU, Apart, clusters, keeper, on_stems, pairs, profiles
from chainrun.library.profile import Profile, kept_profile
from chainrun.library.progress import Progress
from chainrun.library.shares import BypassShare, measured_shares
from chainrun.library.shelf import Preset, Shelf
from chainrun.library.usage import Usage, UseAt, last_rendered, recipe_files, usage
from chainrun.plan.identity import sounding_part
from chainrun.plan.surroundings import code_hash
from chainrun.whole_file import work_folder

SCHEMA_VERSION = 1
EVERY_RECIPE = ("**/*.recipe.toml",)
"""Where recipes are looked for when none are named: in the working folder and all below it."""
MAX_SHOWN_PAIRS = 20
"""Of pairs that need not be alike."""


# -- one preset ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class PresetDescription:
    """A preset, its steps, and the measured profile of its chain."""

    preset: Preset
    steps: tuple[Step, ...]
    profile: Profile
    gates_open: bool
    """Whether gates and the like were left out of the profile: a closed one would hide the rest."""

    def chain(self) -> list[Any]:
        """The steps as JSON objects, without what changes no sound."""
        return [
            sounding_part(step.model_dump(by_alias=True, exclude_defaults=True) | {"do": step.do})
            for step in self.steps
        ]

    def record(self) -> dict[str, object]:
        """As a JSON document."""
        return {
            "schema_version": SCHEMA_VERSION,
            **self.preset.record(),
            "chain": self.chain(),
            "face": {key: value for key, value in self.profile.record().items() if key != "sketches"},
            "measured_with_gates_open": self.gates_open,
        }


def list_presets(libraries: Sequence[Path], allow_roots: Sequence[Path] = ()) -> list[Preset]:
    """All presets of libraries, sorted by name.

    Raises RecipeError for one that is not valid, UsageError for a folder that is not there.
    """
    return list(Shelf(libraries, allow_roots).presets.values())


def describe_preset(
    libraries: Sequence[Path], name: str, *, store: Path | None = None, allow_roots: Sequence[Path] = ()
) -> PresetDescription:
    """A preset with its measured profile; levels in dB, times in ms.

    `store` keeps profiles, so that none is measured twice; files of its steps may be in `allow_roots`, too. Raises
    UsageError where there is no such preset, RecipeError where it is not valid or a response's file is missing.
    """
    shelf = Shelf(libraries, allow_roots)
    preset = shelf.get(name)
    steps = shelf.steps(preset.name)
    open_ones = [step for step in steps if not step.shuts or step.bypass]
    profile = kept_profile(open_ones, code_hash(), store)
    return PresetDescription(preset, tuple(steps), profile, len(open_ones) < len(steps))


# -- its uses --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class MeasuredUse:
    """One use of a preset, with what is known of its render."""

    use: UseAt
    last_rendered: str | None
    """The day on which its recipe or variant was last delivered, as YYYY-MM-DD."""
    share: BypassShare | None
    """What bypassing it changes, where that was measured."""

    def record(self) -> dict[str, object]:
        """As a JSON object."""
        return {
            "recipe": str(self.use.recipe),
            "variant": self.use.variant,
            "node": self.use.node,
            "path": self.use.path or None,
            "set": self.use.changes,
            "last_rendered": self.last_rendered,
            "bypassed": self.share.record() if self.share is not None else None,
        }


@dataclass(frozen=True)
class PresetUses:
    """Where a preset is used."""

    preset: str
    """Its name today."""
    uses: tuple[MeasuredUse, ...]
    inside: tuple[str, ...]
    """Presets that hold it."""
    unreadable: Mapping[Path, str]
    """Recipes that are not valid, with their reasons."""

    def record(self) -> dict[str, object]:
        """As a JSON document."""
        return {
            "schema_version": SCHEMA_VERSION,
            "preset": self.preset,
            "uses": [one.record() for one in self.uses],
            "inside": list(self.inside),
            "unreadable": {str(path): text for path, text in self.unreadable.items()},
        }


def find_uses(
    libraries: Sequence[Path],
    name: str,
    recipes: Sequence[str] = EVERY_RECIPE,
    *,
    store: Path | None = None,
    render_shares: bool = False,
    allow_roots: Sequence[Path] = (),
) -> PresetUses:
    """Where a preset is used in recipes, given as globs or paths: with which changes, and when last rendered.

    Shares (in LU) are those that the store holds; with `render_shares` each missing one is measured by two renders.
    Raises UsageError for an unknown preset or a pattern without recipes, RecipeError for a library that is not valid.
    """
    shelf = Shelf(libraries, allow_roots)
    name = shelf.get(name).name
    known = usage(recipe_files(recipes), allow_roots)
    uses = known.of(name)
    shares = shares_of(uses, store, render=render_shares)
    days = last_rendered(uses, store)
    found = tuple(MeasuredUse(use, days.get((use.recipe, use.variant)), shares.get(use)) for use in uses)
    inside = tuple(one.name for one in shelf.presets.values() if name in one.uses)
    return PresetUses(name, found, inside, known.unreadable)


def shares_of(uses: Sequence[UseAt], store: Path | None, *, render: bool) -> dict[UseAt, BypassShare]:
    """Shares of uses that are kept in the store; with `render` the missing ones, too, be there a store or not."""
    with _store_for(store, needed=render) as folder:
        return measured_shares(uses, folder, render_missing=render)


@contextmanager
def _store_for(folder: Path | None, *, needed: bool) -> Iterator[Path | None]:
    """The store, or one for as long as this takes."""
    if folder is not None or not needed:
        yield folder
        return
    with work_folder("chainrun-shares") as work:
        yield work


# -- likeness --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class AlikeGroup:
    """Presets of which each may take the place of each."""

    presets: tuple[str, ...]
    keep: str
    """The most used one, then the newest."""


@dataclass(frozen=True)
class Likeness:
    """Pairs of presets, the nearest first, and the groups that they make."""

    pairs: tuple[Apart, ...]
    """All that were compared."""
    groups: tuple[AlikeGroup, ...]

    @property
    def alike(self) -> list[Apart]:
        """Pairs that do nearly the same."""
        return [one for one in self.pairs if one.alike]

    def nearest(self) -> list[Apart]:
        """The nearest pairs, alike or not."""
        return list(self.pairs[:MAX_SHOWN_PAIRS])

    def record(self, shown: Sequence[Apart]) -> dict[str, object]:
        """As a JSON document with these pairs."""
        return {
            "schema_version": SCHEMA_VERSION,
            "limit_lu": MAX_ALIKE_LU,
            "pairs": [one.record() for one in shown],
            "groups": [{"presets": list(one.presets), "keep": one.keep} for one in self.groups],
        }


def find_alike(
    libraries: Sequence[Path],
    name: str | None = None,
    recipes: Sequence[str] = (),
    *,
    store: Path | None = None,
    progress: Progress | None = None,
    allow_roots: Sequence[Path] = (),
) -> Likeness:
    """Presets that do nearly the same to test signals, matched in level; with `name` only pairs with that one.

    Pairs that are alike are heard on a stem of the recipes, too, where one of them is used on one. Raises UsageError
    for an unknown preset or a pattern without recipes, RecipeError for a library that is not valid.
    """
    shelf = Shelf(libraries, allow_roots)
    of = shelf.get(name).name if name is not None else None
    reporter = progress or Progress()
    measured = profiles(shelf, list(shelf.presets), store, reporter)
    reporter.done()
    known = usage(recipe_files(recipes), allow_roots) if recipes else Usage()
    return likeness(shelf, measured, known, of)


def likeness(shelf: Shelf, measured: Mapping[str, Profile], known: Usage, of: str | None = None) -> Likeness:
    """How alike measured presets are; `of` one of them, where it is given."""
    found = on_stems(shelf, pairs(measured, of), known)
    groups = clusters([one for one in found if one.alike])
    return Likeness(tuple(found), tuple(AlikeGroup(tuple(group), keeper(group, shelf, known)) for group in groups))
