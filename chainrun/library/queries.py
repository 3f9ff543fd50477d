"""Queries to preset libraries: list presets, describe one, find its uses, find presets that are alike."""

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
from chainrun.library.shares import NOT_MEASURED, BypassShare, measured_shares
from chainrun.library.shelf import Preset, Shelf
from chainrun.library.usage import Usage, UseAt, last_rendered, recipe_files, usage
from chainrun.plan.identity import sounding_part
from chainrun.plan.surroundings import code_hash
from chainrun.whole_file import work_folder

SCHEMA_VERSION = 2
EVERY_RECIPE = ("**/*.recipe.toml",)
"""Default pattern of recipes: the working folder and all folders below it."""
MAX_SHOWN_PAIRS = 20
"""Maximum number of pairs shown if they need not be alike."""


# -- one preset ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class PresetDescription:
    """A preset, its steps, and the measured profile of its chain."""

    preset: Preset
    steps: tuple[Step, ...]
    profile: Profile
    gates_open: bool
    """Whether gates and similar steps were left out of the profile: a closed gate would hide the rest of the chain."""

    def chain(self) -> list[Any]:
        """The steps as JSON objects, without keys that do not affect the sound."""
        return [
            sounding_part(step.model_dump(by_alias=True, exclude_defaults=True) | {"do": step.do})
            for step in self.steps
        ]

    def record(self) -> dict[str, object]:
        """The result as a JSON document."""
        return {
            "schema_version": SCHEMA_VERSION,
            **self.preset.record(),
            "chain": self.chain(),
            "profile": {key: value for key, value in self.profile.record().items() if key != "sketches"},
            "measured_with_gates_open": self.gates_open,
        }


def list_presets(libraries: Sequence[Path], allow_roots: Sequence[Path] = ()) -> list[Preset]:
    """All presets of libraries, sorted by name.

    Raises RecipeError for an invalid preset, UsageError for a folder that does not exist.
    """
    return list(Shelf(libraries, allow_roots).presets.values())


def describe_preset(
    libraries: Sequence[Path], name: str, *, store: Path | None = None, allow_roots: Sequence[Path] = ()
) -> PresetDescription:
    """Describe a preset with its measured profile; levels in dB, times in ms.

    `store` keeps profiles, so that none is measured twice; files of its steps may also be in `allow_roots`. Raises
    UsageError for an unknown preset, RecipeError if it is not valid or the file of an impulse response is missing.
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
    """One use of a preset, with its last render and its share of the mix."""

    use: UseAt
    last_rendered: str | None
    """Day on which its recipe or variant was last delivered, as YYYY-MM-DD."""
    share: BypassShare
    """Change of the mix if this use is bypassed."""

    def record(self) -> dict[str, object]:
        """The use as a JSON object."""
        return {
            "recipe": str(self.use.recipe),
            "variant": self.use.variant,
            "node": self.use.node,
            "path": self.use.path or None,
            "set": self.use.changes,
            "last_rendered": self.last_rendered,
            "bypassed": self.share.record(),
        }


@dataclass(frozen=True)
class PresetUses:
    """All uses of a preset."""

    preset: str
    """Its current name."""
    uses: tuple[MeasuredUse, ...]
    inside: tuple[str, ...]
    """Presets that contain it."""
    unreadable: Mapping[Path, str]
    """Recipes that are not valid, with reasons."""

    def record(self) -> dict[str, object]:
        """The result as a JSON document."""
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
    """Find the uses of a preset in recipes, given as globs or paths: changed values, last render, share of the mix.

    Shares are those kept in the store; with `render_shares` each missing one is measured by two renders.
    Raises UsageError for an unknown preset or a pattern without recipes, RecipeError for a library that is not valid.
    """
    shelf = Shelf(libraries, allow_roots)
    name = shelf.get(name).name
    known = usage(recipe_files(recipes), allow_roots)
    uses = known.of(name)
    shares = shares_of(uses, store, render=render_shares)
    days = last_rendered(uses, store)
    found = tuple(MeasuredUse(use, days.get((use.recipe, use.variant)), shares.get(use, NOT_MEASURED)) for use in uses)
    inside = tuple(one.name for one in shelf.presets.values() if name in one.uses)
    return PresetUses(name, found, inside, known.unreadable)


def shares_of(uses: Sequence[UseAt], store: Path | None, *, render: bool) -> dict[UseAt, BypassShare]:
    """Shares of uses from the store; with `render` missing ones are measured, even without a store."""
    with _store_for(store, needed=render) as folder:
        return measured_shares(uses, folder, render_missing=render)


@contextmanager
def _store_for(folder: Path | None, *, needed: bool) -> Iterator[Path | None]:
    """The store's folder, or a temporary one if one is needed."""
    if folder is not None or not needed:
        yield folder
        return
    with work_folder("chainrun-shares") as work:
        yield work


# -- likeness --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class AlikeGroup:
    """Presets that may all replace each other."""

    presets: tuple[str, ...]
    keep: str
    """The preset to keep: the most used, then the newest."""


@dataclass(frozen=True)
class Likeness:
    """Pairs of presets, the smallest residual first, and groups of presets that are alike."""

    pairs: tuple[Apart, ...]
    """All pairs that were compared."""
    groups: tuple[AlikeGroup, ...]

    @property
    def alike(self) -> list[Apart]:
        """Pairs that sound nearly the same."""
        return [one for one in self.pairs if one.alike]

    def nearest(self) -> list[Apart]:
        """The pairs with the smallest residuals, alike or not."""
        return list(self.pairs[:MAX_SHOWN_PAIRS])

    def record(self, shown: Sequence[Apart]) -> dict[str, object]:
        """The result as a JSON document, with the pairs `shown`."""
        return {
            "schema_version": SCHEMA_VERSION,
            "max_residual_lu": MAX_ALIKE_LU,
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
    """Find presets that do nearly the same to test signals, matched in level; with `name`, pairs with that one only.

    Pairs that are alike are also compared on a stem, if one of the recipes uses one of them on a stem. Raises
    UsageError for an unknown preset or a pattern without recipes, RecipeError for a library that is not valid.
    """
    shelf = Shelf(libraries, allow_roots)
    of = shelf.get(name).name if name is not None else None
    reporter = progress or Progress()
    measured = profiles(shelf, list(shelf.presets), store, reporter)
    reporter.done()
    known = usage(recipe_files(recipes), allow_roots) if recipes else Usage()
    return likeness(shelf, measured, known, of)


def likeness(shelf: Shelf, measured: Mapping[str, Profile], known: Usage, of: str | None = None) -> Likeness:
    """Compare measured presets with each other, or with preset `of`."""
    found = on_stems(shelf, pairs(measured, of), known)
    groups = clusters([one for one in found if one.alike])
    return Likeness(tuple(found), tuple(AlikeGroup(tuple(group), keeper(group, shelf, known)) for group in groups))
