"""Writes a recipe with everything included: it needs no library, no base and no overlay."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from chainrun.recipe.load import Opened
from chainrun.recipe.presets import home_of
from chainrun.recipe.step_files import steps_with_files
from chainrun.recipe.tables import plain
from chainrun.recipe.written import recipe_text

NEEDLESS = ("base", "presets_dirs", "variants")


def resolved_data(opened: Opened, folder: Path) -> dict[str, Any]:
    """Resolved recipe as plain data, with paths relative to the folder of the file to write."""
    data: dict[str, Any] = {
        key: value for key, value in _with_files_from(opened, folder.resolve()).items() if key not in NEEDLESS
    }
    for node in [*data.get("stems", {}).values(), *data.get("buses", {}).values(), data.get("main", {})]:
        _make_names_unique(node)
    data["stems_dir"] = os.path.relpath(opened.stems_dir.resolve(), folder.resolve())
    order = ["grammar", "title", "note", "rate_hz", "stems_dir"]
    return {key: data[key] for key in [*order, *data] if key in data}


def _with_files_from(opened: Opened, folder: Path) -> dict[str, Any]:
    """Recipe as plain data, with the paths of its steps' files relative to the folder."""
    data: dict[str, Any] = plain(opened.table)
    for (_, written), (_, step) in zip(steps_with_files(opened.table), steps_with_files(data), strict=True):
        home = home_of(written.where["file"].file or opened.path, opened.libraries)
        step["file"] = os.path.relpath((home / str(written["file"])).resolve(), folder)
    return data


def _make_names_unique(node: Any) -> None:
    """Number the later ones of equal names in a chain, which several unfolded presets may cause."""
    if isinstance(node, list):
        for inner in node:
            _make_names_unique(inner)
    elif isinstance(node, dict):
        seen: set[str] = set()
        for step in node.get("chain", []):
            name = step.get("name")
            number = 2
            while step.get("name") in seen:
                step["name"] = f"{name}-{number}"
                number += 1
            if name is not None:
                seen.add(step["name"])
        for inner in node.values():
            _make_names_unique(inner)


def resolved_text(opened: Opened, folder: Path) -> str:
    """The resolved recipe as TOML."""
    return recipe_text(resolved_data(opened, folder))
