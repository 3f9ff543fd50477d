"""The names that older files use, beside today's: from the table that reads them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from chainrun.recipe.renamed import BANDS, OLD_HEADS, STEPS, PerCent, Rename, Words, spot_of
from chainrun.recipe.toml_text import toml_text


@dataclass(frozen=True)
class OldName:
    """One renamed key or value."""

    where: str
    """The table that it is in."""
    before: str
    today: str

    def record(self) -> dict[str, str]:
        """As a JSON object."""
        return {"where": self.where, "before": self.before, "today": self.today}


def old_names() -> list[OldName]:
    """Every renamed key and value, by the table that it is in."""
    found = [OldName("the top of a file", f"{word} = 1", "grammar = 1") for word in OLD_HEADS.values()]
    for table, path in _TABLES.items():
        found += _of(table, spot_of(*path).renames)
    found.append(OldName("a send", "BUS = -18", "BUS = { level_db = -18 }"))
    for do, renames in STEPS.items():
        found += _of(do, renames)
    for do, renames in BANDS.items():
        found += _of(f"a band of {do}", renames)
    found.append(OldName("a band of dynamic_eq", "(no kind)", 'kind = "bell"'))
    found.append(OldName("room, in an older file", "(no level)", 'level = "physical"'))
    found.append(OldName("a cull plan", "max_level_lu", "max_level_change_lu"))
    return found


_TABLES: dict[str, tuple[str, ...]] = {
    "a recipe": (),
    "a stem": ("stems", "x"),
    "a send": ("stems", "x", "sends", "y"),
    "a key": ("stems", "x", "chain", "gate", "key"),
    "a delivery": ("deliver", "0"),
    "an expectation": ("expect", "x"),
}


def _of(where: str, renames: Mapping[str, Rename]) -> Iterator[OldName]:
    for before, one in renames.items():
        if before in OLD_HEADS.values():
            continue
        yield from _values(where, before, one)


def _values(where: str, before: str, one: Rename) -> Iterator[OldName]:
    if isinstance(one.change, Words):
        for old, new in one.change.today.items():
            yield OldName(where, f"{before} = {toml_text(old)}", f"{one.new} = {toml_text(new)}")
    elif isinstance(one.change, PerCent):
        yield OldName(where, f"{before} = 0.35", f"{one.new} = 35")
    else:
        yield OldName(where, before, one.new + _PAIRS.get(before, ""))


_PAIRS = {
    "level_points_db": " = [ { at_s = 12, gain_db = -2 } ]",
    "active_s": " = [ { from_s = 0, to_s = 9.5 } ]",
}
