"""Presets that come with the program; a draft copies those that it uses."""

from __future__ import annotations

import tomllib
from pathlib import Path

from chainrun.recipe.presets import ENDING, used_presets
from chainrun.whole_file import write_whole


def own_library() -> Path:
    """Folder of the program's presets: inside the package, or recipes/presets of a checkout."""
    package = Path(__file__).resolve().parent.parent
    inside = package / "presets"
    return inside if inside.is_dir() else package.parent / "recipes" / "presets"


def preset_text(name: str) -> str:
    """Text of one of the program's presets."""
    return (own_library() / f"{name}{ENDING}").read_text(encoding="utf-8")


def copy_presets(names: list[str], folder: Path) -> list[str]:
    """Copy presets and those that they use into a library, without overwriting; returns the names of new ones."""
    written, waiting, seen = [], list(names), set()
    while waiting:
        name = waiting.pop(0)
        if name in seen:
            continue
        seen.add(name)
        text = preset_text(name)
        waiting += used_presets(tomllib.loads(text).get("chain", []))
        target = folder / f"{name}{ENDING}"
        if not target.exists():
            write_whole(target, text)
            written.append(name)
    return written
