"""Finds steps with an audio file, anywhere in a recipe or in a chain."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from chainrun.contract import processors
from chainrun.recipe.tables import KeyPath


def steps_with_files(value: Any, path: KeyPath = (), *, bypassed: bool = True) -> Iterator[tuple[KeyPath, Any]]:
    """Tables of all steps whose `file` is an audio file, each with its path from `value`; outer steps come first.

    `value` is plain or located data: a chain, a node, or a whole recipe. The caller may change a step's `file` during
    the iteration. Without `bypassed`, bypassed steps and all steps inside them are skipped: they need no file.
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
