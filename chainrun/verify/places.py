"""Finds file and line of the keys that checks and causes name: in the recipe, a preset or an overlay."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from chainrun.recipe import Opened
from chainrun.recipe.tables import place_of
from chainrun.verify.changes import Cause
from chainrun.verify.checks import Check
from chainrun.verify.verdicts import PlaceOfKey


def places_of(opened: Opened, checks: Sequence[Check], cause: Cause | None) -> dict[str, PlaceOfKey]:
    """File and line of every key that checks or the cause name."""
    keys = [check.key for check in checks if check.key]
    keys += [one.key for one in cause.changed] if cause is not None else []
    return {key: _place(opened, key) for key in keys}


def _place(opened: Opened, key: str) -> PlaceOfKey:
    head, _, rest = key.partition(".")
    path = (head, rest) if head == "expect" else tuple(int(one) if one.isdigit() else one for one in key.split("."))
    file, position = opened.problems.where(place_of(opened.table, _by_digits(opened, path)))
    return PlaceOfKey(file, position[0] if position else None)


def _by_digits(opened: Opened, path: tuple[str | int, ...]) -> tuple[str | int, ...]:
    """The path with its step given by index in the unfolded chain instead of by name."""
    if "chain" not in path:
        return path
    at = path.index("chain")
    node: Any = opened.table
    for one in path[:at]:
        node = node.get(one, {}) if isinstance(node, dict) else {}
    wanted = ".".join(str(one) for one in path[at + 1 :])
    for i, step in enumerate(node.get("chain", []) if isinstance(node, dict) else []):
        if f"{wanted}.".startswith(f"{step.named}."):
            return (*path[: at + 1], i, *path[at + 2 + step.named.count(".") :])
    return path[:at]
