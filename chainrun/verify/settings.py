"""A recipe's settings, one line for each step, strip and delivery; and their changes."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any
from urllib.parse import quote, unquote

from chainrun.json_hash import short_hash
from chainrun.plan.identity import sounding_part
from chainrun.recipe import Opened
from chainrun.store.store import Store
from chainrun.verify.changes import ChangeKind, KeyChange

MAX_LEAVES = 200
"""Maximum number of values of a setting; a longer one is kept as its hash."""
HASH_MARK = "#"
"""Prefix of a hash, which stands for a long value or a file's content."""
OF_ALL = {"rate_hz", "pan_law_db", "tempo_bpm", "max_tail_s"}
SILENT_KEYS = {"note", "source", "group", "file"}
OF_THE_RECIPE, STEMS, DELIVERIES, CHAIN = "recipe", "stems", "deliver", ".chain."
"""Parts of settings' keys: `recipe`, `stems.kick`, `stems.kick.chain.squash`, `deliver.0`."""

Settings = Mapping[str, str]
"""Lines of settings by their keys; see `as_line`."""


def settings(opened: Opened, store: Store) -> dict[str, str]:
    """The settings of every step, stem, bus and delivery, one line each, so that a change can be named."""
    recipe = opened.recipe
    found = {OF_THE_RECIPE: as_line(recipe.model_dump(include=OF_ALL, exclude_unset=True))}
    for table, strips in ((STEMS, recipe.stems), ("buses", recipe.buses)):
        for name, strip in strips.items():
            plain = strip.model_dump(exclude={"chain", *SILENT_KEYS}, by_alias=True, exclude_unset=True)
            if table == STEMS:
                hashes = [store.hash_file(path) for path in opened.stem_files(name)]
                plain["file"] = f"{HASH_MARK}{short_hash(hashes)}"
            found[f"{table}.{name}"] = as_line(plain)
            found |= _steps(opened, (table, name), list(strip.chain))
    found |= _steps(opened, ("main",), list(recipe.main.chain))
    for i, delivery in enumerate(recipe.deliver):
        found[f"{DELIVERIES}.{i}"] = as_line(delivery.model_dump(exclude={"tags", "note"}, exclude_unset=True))
    return found


def _steps(opened: Opened, path: tuple[str, ...], chain: list[Any]) -> dict[str, str]:
    addresses = opened.addresses(*path)
    return {
        ".".join((*path, named)): as_line(sounding_part(step.model_dump(by_alias=True, exclude_unset=True)))
        for (_, named), step in zip(addresses, chain, strict=True)
    }


def as_line(value: Mapping[str, object]) -> str:
    """Plain data as one line, `bands.0.gain_db=3.0 …`; long values as their hashes."""
    words = []
    for key, inner in value.items():
        leaves = list(_leaves(inner, key))
        words += leaves if len(leaves) <= MAX_LEAVES else [(key, f"{HASH_MARK}{short_hash(inner)}")]
    return " ".join(f"{key}={text}" for key, text in words)


def _leaves(value: Any, path: str) -> Iterator[tuple[str, str]]:
    if isinstance(value, dict | list | tuple) and value:
        for key, inner in value.items() if isinstance(value, dict) else enumerate(value):
            yield from _leaves(inner, f"{path}.{quote(str(key), safe='')}")
    elif value is not None:
        yield path, quote(value, safe="/#") if isinstance(value, str) else json.dumps(value).replace(" ", "")


def read_back(text: str) -> dict[str, str]:
    """Values by key, from a line of `as_line`."""
    return {unquote(key): unquote(value) for key, _, value in (word.partition("=") for word in text.split())}


def _table(key: str) -> str:
    return key.partition(".")[0]


def file_key(stem: str) -> str:
    """Key of a stem's recording among changes."""
    return f"{STEMS}.{stem}.file"


def stem_settings(found: Settings, stem: str) -> dict[str, str]:
    """The settings of a stem, except its chain."""
    return read_back(found.get(f"{STEMS}.{stem}", ""))


def by_file(then: Settings, today: Settings) -> dict[str, str]:
    """The former settings, each delivery keyed by its file's current number, or by its file name if it has none."""
    numbers = {read_back(text).get("file"): key for key, text in today.items() if _table(key) == DELIVERIES}
    found = {}
    for key, text in then.items():
        if _table(key) == DELIVERIES:
            file = read_back(text).get("file")
            found[numbers.get(file) or f"deliver of {file}"] = text
        else:
            found[key] = text
    return found


def changed_settings(then: Settings, today: Settings) -> list[KeyChange]:
    """The keys whose values changed; steps and strips that were added or removed count as one change each."""
    found = []
    for key in [*then, *(one for one in today if one not in then)]:
        if key not in today or key not in then:
            found.append(KeyChange(key, ChangeKind.ADDED if key in today else ChangeKind.REMOVED))
            continue
        was, now = read_back(then[key]), read_back(today[key])
        for inner in [*was, *(one for one in now if one not in was)]:
            before, after = was.get(inner), now.get(inner)
            if before != after:
                place = inner if key == OF_THE_RECIPE else f"{key}.{inner}"
                hidden = any(one is not None and one.startswith(HASH_MARK) for one in (before, after))
                found.append(
                    KeyChange(place, ChangeKind.CONTENT)
                    if hidden
                    else KeyChange(place, ChangeKind.VALUE, before=before, after=after)
                )
    return found


def reordered(then: Settings, today: Settings) -> list[KeyChange]:
    """Chains with the same steps in another order."""

    def chains(settings: Settings) -> dict[str, list[str]]:
        found: dict[str, list[str]] = {}
        for key in settings:
            strip, chain, step = key.partition(CHAIN)
            if chain:
                found.setdefault(f"{strip}.chain", []).append(step)
        return found

    was, now = chains(then), chains(today)
    found = []
    for chain, steps in was.items():
        other = now.get(chain, [])
        kept, still = tuple(one for one in steps if one in other), tuple(one for one in other if one in steps)
        if kept != still:
            found.append(KeyChange(chain, ChangeKind.ORDER, steps_before=kept, steps_after=still))
    return found
