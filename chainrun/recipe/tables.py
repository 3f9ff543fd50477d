"""Located data: TOML data that keeps the place of every value, through overlays and presets."""

from __future__ import annotations

from copy import deepcopy
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from chainrun.toml_file import MAX_DEPTH

Step = str | int
KeyPath = tuple[Step, ...]


@dataclass(frozen=True)
class Place:
    """Key of a file. `file` is None for a value from the command line."""

    file: Path | None
    path: KeyPath = ()

    def below(self, step: Step) -> Place:
        """Place of a key or an item inside this one."""
        return Place(self.file, (*self.path, step))


class Table(dict[str, Any]):
    """TOML table; `where` has the place of each key, `address` and `named` the addresses of an unfolded step."""

    def __init__(self, place: Place):
        super().__init__()
        self.place = place
        self.where: dict[str, Place] = {}
        self.address = ""
        self.named = ""
        self.replacements: list[dict[str, str]] = []
        """For a whole recipe: `replace_presets` of all overlays, in order."""

    def put(self, key: str, value: Any, place: Place) -> None:
        """Set a key and its place."""
        self[key] = value
        self.where[key] = place

    def __deepcopy__(self, memo: dict[int, Any]) -> Table:
        copy = Table(self.place)
        copy.address, copy.named = self.address, self.named
        copy.replacements = list(self.replacements)
        for key, value in self.items():
            copy.put(key, deepcopy(value, memo), self.where[key])
        return copy


class Items(list[Any]):
    """TOML array; `where` has the place of each item."""

    def __init__(self, place: Place):
        super().__init__()
        self.place = place
        self.where: list[Place] = []

    def add(self, value: Any, place: Place) -> None:
        """Append an item and its place."""
        self.append(value)
        self.where.append(place)

    def __deepcopy__(self, memo: dict[int, Any]) -> Items:
        copy = Items(self.place)
        for value, place in zip(self, self.where, strict=True):
            copy.add(deepcopy(value, memo), place)
        return copy


def wrap(value: Any, place: Place) -> Any:
    """Located copy of plain data. Raises RecursionError for data nested deeper than MAX_DEPTH."""
    if len(place.path) > MAX_DEPTH:
        raise RecursionError
    if isinstance(value, dict):
        table = Table(place)
        for key, inner in value.items():
            table.put(key, wrap(inner, place.below(key)), place.below(key))
        return table
    if isinstance(value, list):
        items = Items(place)
        for i, inner in enumerate(value):
            items.add(wrap(inner, place.below(i)), place.below(i))
        return items
    return value


def plain(value: Any) -> Any:
    """Copy of data as plain dicts and lists."""
    if isinstance(value, dict):
        return {key: plain(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [plain(inner) for inner in value]
    return value


def place_of(root: Table, path: KeyPath) -> Place:
    """Place at which the value at `path` was written, or would be if it was not."""
    node: Any = root
    place = root.place
    for i, step in enumerate(path):
        if isinstance(node, Table) and step in node:
            place = node.where[str(step)]
            node = node[str(step)]
        elif isinstance(node, Items) and isinstance(step, int) and step < len(node):
            place = node.where[step]
            node = node[step]
        else:
            inner = node.place if isinstance(node, Table | Items) else place
            return Place(inner.file, (*inner.path, *path[i:]))
    return place
