"""Steps that name an audio file, wherever they stand in a recipe or in a chain."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from chainrun.contract import processors
from chainrun.recipe.tables import KeyPath


def steps_with_files(value: Any, path: KeyPath = (), *, bypassed: bool = True) -> Iterator[tuple[KeyPath, Any]]:
    """Each table of a step whose `file` names an audio file, with its path from `value`; outer steps come first.

    `value` is plain or located data: a chain, a node, or a whole recipe. The caller may change a step's `file` while it
    walks. Without `bypassed`, bypassed steps and all inside them are left out: they need no file.
    """
    if isinstance(value, dict):
        if value.get("bypass") and not bypassed:
            return
        kind = processors().get(str(value.get("do")))
        if kind is not None and kind.reads_file and "file" in value:
            yield path, value
    for key, inner in value.items() if isinstance(value, dict) else enumerate(value):
        if isinstance(inner, dict | list):
            yield from steps_with_files(inner, (*path, key), bypassed=bypassed)
