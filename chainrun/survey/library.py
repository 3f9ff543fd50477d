"""The presets that come with the program: a draft takes copies of those that it uses."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from chainrun.whole_file import write_whole

ENDING = ".preset.toml"


def own_library() -> Path:
    """The folder of the presets that come along: inside the package, or recipes/presets of a checkout."""
    package = Path(__file__).resolve().parent.parent
    inside = package / "presets"
    return inside if inside.is_dir() else package.parent / "recipes" / "presets"


def _used(value: Any) -> set[str]:
    if isinstance(value, dict):
        own = {value["preset"]} if isinstance(value.get("preset"), str) else set()
        return own.union(*(_used(inner) for inner in value.values()))
    if isinstance(value, list):
        return set().union(*(_used(inner) for inner in value))
    return set()


def copy_presets(names: list[str], folder: Path) -> list[str]:
    """Copy presets, and those that they use, into a library; what is there already stays. Returns what was written."""
    library, written, waiting, seen = own_library(), [], list(names), set()
    while waiting:
        name = waiting.pop(0)
        if name in seen:
            continue
        seen.add(name)
        text = (library / f"{name}{ENDING}").read_text(encoding="utf-8")
        waiting += sorted(_used(tomllib.loads(text).get("chain", [])))
        target = folder / f"{name}{ENDING}"
        if not target.exists():
            write_whole(target, text)
            written.append(name)
    return written
