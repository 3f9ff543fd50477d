"""Finds presets of the library that changed since a baseline was accepted. Imports little: `check` needs it, too."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from glob import escape
from pathlib import Path

from chainrun import toml_file
from chainrun.errors import Problem, RecipeError, shown_path
from chainrun.plan.identity import chain_hash
from chainrun.problem_codes import Code
from chainrun.recipe import Opened
from chainrun.recipe.load import read_toml, recipe_name
from chainrun.recipe.problems import Problems
from chainrun.recipe.renamed import OLD_HEADS, FileKind
from chainrun.recipe.tables import plain
from chainrun.verify.old_baseline import is_old

ENDING = ".baseline.toml"


def presets(opened: Opened) -> dict[str, str]:
    """The current chain hash of every preset that the recipe uses; status and prose are not part of it."""
    found = {}
    for use in opened.uses:
        table = read_toml(use.file, Problems(), opened.limits)
        found[use.name] = chain_hash(plain(table.get("chain", [])) if table is not None else [])
    return dict(sorted(found.items()))


def presets_as_written(opened: Opened) -> dict[str, str]:
    """The chain hash of every preset file that still has the names of an older grammar, by those names."""
    tables = {use.name: toml_file.read(use.file, opened.limits) for use in opened.uses}
    old = OLD_HEADS[FileKind.PRESET]
    return {name: chain_hash(table.get("chain", [])) for name, table in tables.items() if old in table}


def baseline_path(opened: Opened) -> Path:
    """Path of a recipe's baseline; each variant has its own."""
    variant = f"+{opened.variant}" if opened.variant else ""
    return opened.path.parent / f"{opened.name}{variant}{ENDING}"


def baseline_of(path: Path, variant: str | None) -> Path:
    """As `baseline_path`, from the recipe's file alone, valid or not."""
    return path.parent / f"{recipe_name(path)}{f'+{variant}' if variant else ''}{ENDING}"


def is_baseline(path: Path) -> bool:
    """Whether a file's name is that of a baseline."""
    return path.name.endswith(ENDING)


def orphans(path: Path, variants: Iterable[str]) -> list[str]:
    """Variants that have a baseline beside the recipe, but are not in the recipe."""
    head = f"{recipe_name(path)}+"
    found = (one.name for one in sorted(path.parent.glob(f"{escape(head)}*{ENDING}")))
    names = [name.removeprefix(head).removesuffix(ENDING) for name in found]
    return [name for name in names if name not in set(variants) and "+" not in name]


def changed_preset_names(opened: Opened) -> list[str]:
    """Names of presets whose chain changed since the baseline was accepted."""
    path = baseline_path(opened)
    if not path.is_file():
        return []
    try:
        table = toml_file.read(path)
    except (OSError, ValueError):
        return []  # verify reports the damage
    was = table.get("presets", {})
    # An older baseline has hashes of the older names, which cannot be compared with those of today's.
    now = (presets_as_written(opened) if is_old(table) else presets(opened)).items()
    return [name for name, chain in now if isinstance(was, dict) and was.get(name, chain) != chain]


def changed_presets(opened: Opened) -> list[str]:
    """A sentence for each preset that changed since the baseline was accepted."""
    return [changed_preset_text(name, baseline_path(opened)) for name in changed_preset_names(opened)]


def changed_preset_problems(opened: Opened) -> list[Problem]:
    """A warning for each of them."""
    file = shown_path(opened.path)
    return [Problem(text, file=file, severity="warning", code=Code.CHANGED_PRESET) for text in changed_presets(opened)]


def refuse_preset_warnings(opened: Opened) -> None:
    """Refuse a recipe with retired presets, or with presets that changed since it was accepted. Raises RecipeError."""
    found = [one for one in opened.problems.warnings if one.code is Code.RETIRED_PRESET]
    found += changed_preset_problems(opened)
    if found:
        raise RecipeError([replace(one, severity="error") for one in found])


def changed_preset_text(name: str, baseline: Path) -> str:
    """The sentence about a preset that changed since the baseline was accepted."""
    return f"the library's preset {name} has changed since {baseline.name} was accepted"
