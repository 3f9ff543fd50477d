"""Where presets are used: recipes, stems, how often, with which changes, and when it was last rendered."""

from __future__ import annotations

import datetime
import glob
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from chainrun.engine.store import Store
from chainrun.errors import ChainrunError, Problem, UsageError
from chainrun.recipe import Overrides, open_recipe
from chainrun.recipe.presets import Use


@dataclass(frozen=True)
class UseAt:
    """One use of a preset."""

    preset: str
    recipe: Path
    node: str
    """`stems.kick`, `buses.kit` or `main`."""
    path: str
    """The use itself, as an overlay would address it."""
    changes: dict[str, Any] = field(default_factory=dict, hash=False)


@dataclass
class Usage:
    """All uses in a set of recipes, and what could not be read."""

    uses: list[UseAt]
    recipes: list[Path]
    unreadable: dict[Path, str]

    def of(self, name: str) -> list[UseAt]:
        """Uses of one preset."""
        return [use for use in self.uses if use.preset == name]


def recipe_files(patterns: Iterable[str]) -> list[Path]:
    """Recipes by globs and paths. Raises UsageError where a pattern finds none."""
    found: list[Path] = []
    for pattern in patterns:
        here = [Path(one) for one in sorted(glob.glob(pattern, recursive=True)) if one.endswith(".recipe.toml")]
        if not here:
            raise UsageError(Problem("no recipe matches", given=pattern, hint="songs/*.recipe.toml, in quotes"))
        found += here
    return list(dict.fromkeys(found))


def usage(recipes: list[Path], allow_roots: tuple[Path, ...] = ()) -> Usage:
    """Read recipes, and find their uses of presets; one that is not valid is told, and left out."""
    found = Usage([], [], {})
    for path in recipes:
        try:
            opened = open_recipe(path, Overrides(allow_roots=allow_roots))
        except ChainrunError as error:
            found.unreadable[path] = error.problems[0].text()
            continue
        found.recipes.append(path)
        names: dict[str, list[Use]] = {}
        for use in opened.uses:
            names.setdefault(use.chain_path, []).append(use)
        written = _written(path)
        for chain_path, used in names.items():
            node = chain_path.removesuffix(".chain")
            places = [one for one in written if one[0] == node]
            for use in used:
                # What is used inside another preset is written in no recipe.
                _, at, changes = places.pop(0) if places and not use.inside else ("", "", {})
                found.uses.append(UseAt(use.name, path, node, at, changes))
    return found


def _written(path: Path) -> list[tuple[str, str, dict[str, Any]]]:
    """(node, path of the use, its `set`) of every use that the recipe's own file writes, in order."""
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError):
        return []
    found: list[tuple[str, str, dict[str, Any]]] = []

    def walk(value: Any, node: str, at: str) -> None:
        if isinstance(value, dict):
            if isinstance(value.get("preset"), str):
                found.append((node, at, dict(value.get("set", {}))))
                return
            for key, inner in value.items():
                walk(inner, node, f"{at}.{key}")
        elif isinstance(value, list):
            for i, inner in enumerate(value):
                name = inner.get("name") if isinstance(inner, dict) else None
                walk(inner, node, f"{at}.{name or i}")

    for table in ("stems", "buses"):
        for name, strip in data.get(table, {}).items():
            if isinstance(strip, dict):
                walk(strip.get("chain", []), f"{table}.{name}", f"{table}.{name}.chain")
    walk(data.get("main", {}).get("chain", []), "main", "main.chain")
    return found


def last_rendered(recipes: Iterable[Path], store: Path | None) -> dict[Path, str]:
    """The day on which each recipe's mix, as it stands, was rendered into the store; others are missing."""
    if store is None:
        return {}
    from chainrun.engine.fingerprint import surroundings
    from chainrun.engine.node import BLOCK_FRAMES
    from chainrun.plan import build_plan

    kept = Store(store)
    around = surroundings(BLOCK_FRAMES)
    found = {}
    for path in recipes:
        try:
            plan = build_plan(open_recipe(path), hash_file=kept.hash_file, surroundings=around)
            stat = kept.path_of(plan.node("main").identity).stat()
        except (ChainrunError, OSError):
            continue
        found[path] = datetime.date.fromtimestamp(stat.st_mtime).isoformat()
    return found
