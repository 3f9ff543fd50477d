"""Reads baselines of version 0.2 and before, whose settings have the names of the older grammar."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from urllib.parse import quote, unquote

from chainrun.recipe.redirects import changed, path_today
from chainrun.recipe.renamed import GRAMMAR, AsTable, PerCent, Spot, Words, spot_of, step

OLD_HEAD, OLD_VERSION = "baseline", 2


def is_old(table: Mapping[str, object]) -> bool:
    """Whether a baseline's table has the older names."""
    return GRAMMAR not in table and table.get(OLD_HEAD) == OLD_VERSION


def todays_baseline(table: Mapping[str, object]) -> dict[str, object]:
    """The table of an older baseline with today's names."""
    settings = table.get("settings")
    found: dict[str, object] = {GRAMMAR: 1, **{key: value for key, value in table.items() if key != OLD_HEAD}}
    if isinstance(settings, dict):
        found["settings"] = {
            key: todays_line(key, line) if isinstance(line, str) else line for key, line in settings.items()
        }
    return found


def todays_line(key: str, line: str) -> str:
    """One line of settings with today's names; `key` is its step, strip or delivery."""
    words = [word.partition("=") for word in line.split()]
    values = {unquote(path): unquote(value) for path, _, value in words}
    do = values.get("do")
    spot = step(do) if do is not None else (spot_of(*key.split(".")) if key != "recipe" else spot_of())
    found = [_word(spot, unquote(path), value) for path, _, value in words]
    missing = [f"{path}={value}" for path, value in _missing(spot, values)]
    return " ".join([*found, *missing])


def _word(spot: Spot, path: str, value: str) -> str:
    new, change = path_today(spot, path)
    if isinstance(change, AsTable) and len(change.keys) == 1:
        new = f"{new}.{change.keys[0]}"
    elif isinstance(change, Words | PerCent) and not value.startswith("#"):
        value = _changed(unquote(value), change)
    return f"{quote(new, safe='.')}={value}"


def _changed(text: str, change: Words | PerCent) -> str:
    """A changed value as written in a line: words without quotes, all else as JSON."""
    try:
        value: object = json.loads(text)
    except ValueError:
        value = text
    new = changed(value, change)
    return quote(new, safe="/#") if isinstance(new, str) else json.dumps(new)


def _missing(spot: Spot, values: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """Keys that today's grammar requires and older files could omit."""
    if spot.needs_in_old is not None and spot.needs_in_old[0] not in values:
        yield spot.needs_in_old
    for band in sorted({path.split(".")[1] for path in values if path.startswith("bands.")}):
        _, _, bands = spot.at("bands", None)
        _, _, inner = bands.at(band, None)
        if inner.needs is not None and f"bands.{band}.{inner.needs[0]}" not in values:
            yield f"bands.{band}.{inner.needs[0]}", inner.needs[1]
