"""Reads files with old names as if they had today's: finds what was renamed, and changes the data in place."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from chainrun.recipe.renamed import (
    GRAMMAR,
    NOWHERE,
    OLD_HEADS,
    SPOTS,
    AsTable,
    Change,
    FileKind,
    PerCent,
    Rename,
    Spot,
    Words,
    overlay,
    step,
)
from chainrun.recipe.tables import Items, Place, Table


@dataclass(frozen=True)
class Redirect:
    """One key, item or missing key that is written otherwise today."""

    container: Table | Items
    key: str | int
    place: Place
    """Where the file has it."""
    new: str | None = None
    """The key's name today; None where only the value changes."""
    change: Change | None = None
    missing: tuple[str, str] | None = None
    """A key that is missing, and its value: it goes into the table at `key`."""

    def in_words(self) -> str:
        """One sentence: what is written, and how it is written today."""
        if self.missing is not None:
            key, value = self.missing
            return f'{key} is missing: older files mean {key} = "{value}"'
        written = self.key if isinstance(self.key, str) else None
        value = self.container[self.key]  # type: ignore[index]
        if isinstance(self.change, Words):
            return f"{_said(written, value)} is now {_said(self.new or written, changed(value, self.change))}"
        if isinstance(self.change, PerCent) and self.new is not None:
            return f"{_last(written)} is now called {_last(self.new)}, in per cent"
        if isinstance(self.change, AsTable):
            numbers = [value] if len(self.change.keys) == 1 else value
            pairs = [f"{key} = {one}" for key, one in zip(self.change.keys, numbers, strict=True)]
            inside = ", ".join([*pairs, *(f'{key} = "{text}"' for key, text in self.change.more)])
            return f"{_said(written, value)} is now {_said(self.new or written, _Bare(f'{{ {inside} }}'))}"
        if written in OLD_HEADS.values():
            return f"{written} = {value} is now {self.new} = {value}"
        if _last(written).isdigit():
            return f"{written} is now called {self.new}"
        return f"{_last(written)} is now called {_last(self.new)}"


def _last(path: str | None) -> str:
    return (path or "").rpartition(".")[2]


class _Bare(str):
    """Text that is shown without quotes."""


def _said(key: str | None, value: object) -> str:
    text = str(value).lower() if isinstance(value, bool) else f'"{value}"' if isinstance(value, str) else str(value)
    text = str(value) if isinstance(value, _Bare) else text
    return f"{_last(key)} = {text}" if key else text


def find(root: Table, kind: FileKind) -> list[Redirect]:
    """Everything in a file's data that is written otherwise today, in the file's order."""
    spot = SPOTS[kind]() if kind in SPOTS else NOWHERE
    # An overlay needs no head, and had none before; a recipe with a base is laid over that.
    is_old = OLD_HEADS.get(kind) in root or (kind is FileKind.OVERLAY and GRAMMAR not in root)
    return list(_table(root, spot, is_old=is_old, is_dotted=kind is FileKind.RECIPE and "base" in root))


def find_in_path(path: str, value: Any, place: Place) -> Table:
    """One assignment PATH = value as a table of one key, today's names in it."""
    table = Table(place)
    table.put(path, value, place)
    apply(list(_table(table, overlay(), is_old=False)))
    return table


def _table(
    table: Table, spot: Spot, *, is_old: bool, is_dotted: bool = False, is_item: bool = False
) -> Iterator[Redirect]:
    is_dotted = is_dotted or spot.is_dotted  # of an overlay, keys are paths at every depth
    # A table that is laid over another says only what changes there.
    for needs in (spot.needs if is_item else None, spot.needs_in_old if is_old else None):
        if needs is not None and needs[0] not in table:
            yield Redirect(table, next(iter(table), ""), table.place, missing=needs)
    for key, value in table.items():
        place = table.where[key]
        if is_dotted and key == "remove" and isinstance(value, Items):
            yield from _paths(value, spot)
            continue
        today, change, inner = _follow(spot, key.split(".") if is_dotted else [key], value)
        new = today if today != key and today not in table else None
        if isinstance(change, AsTable):
            change = replace(change, in_overlay=is_dotted) if _fits(value, change) else None
        if isinstance(change, Words | PerCent) and changed(value, change) == value and new is None:
            change = None
        if new is not None or change is not None:
            yield Redirect(table, key, place, new, change)
        yield from _below(value, inner, is_old=is_old, is_dotted=is_dotted)


def _items(items: Items, spot: Spot, *, is_old: bool, is_dotted: bool) -> Iterator[Redirect]:
    for i, (value, place) in enumerate(zip(items, items.where, strict=True)):
        _, change, inner = spot.at(str(i), value)
        if isinstance(change, AsTable):
            if _fits(value, change):
                yield Redirect(items, i, place, change=change)
            elif isinstance(value, Table):
                yield from _table(value, inner, is_old=is_old, is_dotted=is_dotted)
            continue
        yield from _below(value, inner, is_old=is_old, is_dotted=is_dotted, is_item=True)


def _below(value: Any, spot: Spot, *, is_old: bool, is_dotted: bool, is_item: bool = False) -> Iterator[Redirect]:
    if isinstance(value, Table):
        yield from _table(value, spot, is_old=is_old, is_dotted=is_dotted, is_item=is_item)
    elif isinstance(value, Items):
        yield from _items(value, spot, is_old=is_old, is_dotted=is_dotted)


def _paths(items: Items, spot: Spot) -> Iterator[Redirect]:
    """The paths under `remove`."""
    for i, (path, place) in enumerate(zip(items, items.where, strict=True)):
        if isinstance(path, str):
            new, _, _ = _follow(spot, path.split("."), None)
            if new != path:
                yield Redirect(items, i, place, change=Words({path: new}))


def _follow(spot: Spot, tokens: list[str], value: Any) -> tuple[str, Change | None, Spot]:
    """A key's path with today's names, how its value changes, and the spot inside it."""
    found: list[str] = []
    change: Change | None = None
    for i, token in enumerate(tokens):
        is_last = i == len(tokens) - 1
        rename, change, inner = spot.at(token, value if is_last else None)
        found.append(rename.new if rename is not None else token)
        if rename is not None:
            change = rename.change or change
        spot = inner
    return ".".join(found), change, spot


def path_today(spot: Spot, path: str) -> tuple[str, Change | None]:
    """A dotted path inside a spot with today's names, and how the value at its end changes."""
    new, change, _ = _follow(spot, path.split("."), None)
    return new, change


def _fits(value: Any, change: AsTable) -> bool:
    """Whether a value has the older form: a number, or an array of as many numbers as there are keys."""
    values = [value] if len(change.keys) == 1 else value
    if not isinstance(values, list) or len(values) != len(change.keys):
        return False
    return all(isinstance(one, int | float) and not isinstance(one, bool) for one in values)


def per_cent(value: int | float | str) -> int | float:
    """A share of 1 in per cent, exact in decimal, and whole where it is: 0.35 is 35."""
    if not math.isfinite(float(value)):
        return float(value)  # the model refuses it, and says where
    share = Decimal(str(value)) * 100
    return int(share) if share == int(share) else float(share)


def changed(value: Any, change: Change | None) -> Any:
    """A value as it is written today."""
    if isinstance(change, Words):
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        known = isinstance(value, str | bool) or is_number
        # true == 1 in Python, not in TOML.
        return next(
            (new for old, new in change.today.items() if known and old == value and type(old) is type(value)), value
        )
    if isinstance(change, PerCent):
        if isinstance(value, Items):
            found = Items(value.place)
            for one, place in zip(value, value.where, strict=True):
                found.add(changed(one, change), place)
            return found
        return per_cent(value) if isinstance(value, int | float) and not isinstance(value, bool) else value
    if isinstance(change, AsTable) and _fits(value, change):
        table = Table(value.place) if isinstance(value, Items) else Table(Place(None))
        for key, one in zip(change.keys, value if isinstance(value, Items) else [value], strict=True):
            table.put(key, one, table.place)
        for key, text in change.more:
            table.put(key, text, table.place)
        return table
    return value


def apply(redirects: list[Redirect]) -> None:
    """Change the data in place, so that only today's names are in it."""
    for one in reversed(redirects):  # inner ones first: an outer one may move them
        container = one.container
        if one.missing is not None and isinstance(container, Table):
            container.put(one.missing[0], one.missing[1], one.place)
        elif isinstance(container, Items) and isinstance(one.key, int):
            container[one.key] = _placed(changed(container[one.key], one.change), one.place)
        elif isinstance(container, Table) and isinstance(one.key, str):
            _rename(container, one)


def _placed(value: Any, place: Place) -> Any:
    if isinstance(value, Table) and value.place.file is None:
        value.place = place
        value.where = dict.fromkeys(value, place)
    return value


def _rename(table: Table, one: Redirect) -> None:
    entries = [(key, table[key], table.where[key]) for key in table]
    table.clear()
    table.where.clear()
    for key, value, place in entries:
        if key == one.key:
            table.put(one.new or key, _placed(changed(value, one.change), place), place)
        else:
            table.put(key, value, place)


def todays_key(table: Table, key: str, value: Any) -> tuple[str, Any]:
    """A key that is put into a step by a path: its name today, now that the step is known."""
    do = table.get("do")
    rename: Rename | None = step(do).renames.get(key) if isinstance(do, str) else None
    if rename is None:
        return key, value
    return rename.new, changed(value, rename.change)
