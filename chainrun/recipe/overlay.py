"""Lays overlays over recipes: changes, adds or removes keys, or replaces a preset everywhere.

A key is a table inside tables, or a dotted path in quotes; a number or a step's name addresses an array's item as
written in the recipe. After `set` of a preset use the rest of a path is a single key.
"""

from __future__ import annotations

import tomllib
from copy import deepcopy
from pathlib import Path
from typing import Any

from pydantic import ConfigDict, Field

from chainrun import toml_file
from chainrun.contract import StrictModel, Version
from chainrun.errors import nearest, shown
from chainrun.problem_codes import Code
from chainrun.recipe.address import child_of, item_index
from chainrun.recipe.problems import Problems
from chainrun.recipe.redirects import find_in_path, todays_key
from chainrun.recipe.tables import Items, Place, Table, wrap
from chainrun.recipe.toml_text import as_toml


class OverlayFile(StrictModel):
    """Changes that are laid over a recipe: any of its keys, as tables or as dotted paths in quotes.

    `"stems.kick.level_db" = -3` changes one key; `"stems.kick.chain.door.range_db" = 20` one of a step, by its name or
    by its place from 0. Only the last part of a path may be new.
    """

    model_config = ConfigDict(extra="allow")

    grammar: Version | None = Field(None, description="version of this grammar")
    about: str | None = Field(None, description="free text")
    remove: list[str] = Field(default_factory=list, description="paths to remove from the recipe")
    replace_presets: dict[str, str] = Field(
        default_factory=dict, description='"old/preset" = "new/preset", wherever a chain uses it'
    )


SPECIAL_KEYS = tuple(OverlayFile.model_fields)
"""Keys of an overlay that are none of the recipe."""


def lay_over(recipe: Table, overlay: Table, problems: Problems) -> dict[str, str]:
    """Change `recipe` in place as the overlay says; returns its `replace_presets`."""
    # Items to remove are found first, so that numbers mean the recipe as written.
    doomed = _find_removed(recipe, overlay, problems)
    for key, value in overlay.items():
        if key == "base":
            message = "an overlay has no base of its own"
            problems.add(overlay.where[key], message, given=shown(value), code=Code.UNKNOWN_KEY)
        elif key == "grammar" and (value != 1 or isinstance(value, bool)):
            message = "is not a version of this grammar"
            problems.add(overlay.where[key], message, given=shown(value), allowed="1", code=Code.UNKNOWN_VERSION)
        elif key not in SPECIAL_KEYS:
            _put(recipe, key.split("."), value, overlay.where[key], problems)
    for parent, item in doomed:
        if isinstance(parent, Items):
            index = next((i for i, other in enumerate(parent) if other is item), None)
            if index is not None:
                del parent[index]
                del parent.where[index]
        elif item in parent:
            del parent[item]
            del parent.where[item]
    return _replacements(overlay, problems)


def _replacements(overlay: Table, problems: Problems) -> dict[str, str]:
    table = overlay.get("replace_presets", {})
    if not isinstance(table, Table):
        if table:
            problems.add(
                overlay.where["replace_presets"],
                "must be a table",
                given=shown(table),
                allowed='"a/b" = "a/c"',
                code=Code.WRONG_TYPE,
            )
        return {}
    for old, new in table.items():
        if not isinstance(new, str):
            problems.add(table.where[old], "must be the name of a preset", given=shown(new), code=Code.WRONG_TYPE)
    return {old: new for old, new in table.items() if isinstance(new, str)}


def _find_removed(recipe: Table, overlay: Table, problems: Problems) -> list[tuple[Any, Any]]:
    found: list[tuple[Any, Any]] = []
    paths = overlay.get("remove", Items(overlay.place))
    if not isinstance(paths, Items):
        problems.add(overlay.where["remove"], "must be an array of paths", given=shown(paths), code=Code.WRONG_TYPE)
        return []
    for path, place in zip(paths, paths.where, strict=True):
        if not isinstance(path, str):
            problems.add(place, "must be a path", given=shown(path), code=Code.WRONG_TYPE)
            continue
        parent: Any = recipe
        tokens = path.split(".")
        for i, token in enumerate(tokens):
            child = child_of(parent, token)
            if child is None:
                _no_match(parent, tokens, i, place, problems)
                break
            if i == len(tokens) - 1:
                found.append((parent, token if isinstance(parent, Table) else child))
            parent = child
    return found


def _no_match(node: Any, tokens: list[str], at: int, place: Place, problems: Problems) -> None:
    known: list[str] = []
    if isinstance(node, Table):
        known = list(node)
    elif isinstance(node, Items):
        known = [str(item[key]) for item in node if isinstance(item, dict) for key in ("name", "do") if key in item]
        known += [str(i) for i in range(len(node))]
    inside = node.place.path if isinstance(node, Table | Items) else tuple(tokens[:at])
    where = ".".join(str(step) for step in inside) or "the recipe"
    problems.add(
        place,
        f"the path matches nothing: there is no {tokens[at]!r} in {where}",
        given=".".join(tokens),
        allowed=", ".join(known[:12]) or "nothing: it has no parts",
        hint=nearest(tokens[at], known),
        code=Code.PATH_MATCHES_NOTHING,
    )


def _put(node: Any, tokens: list[str], value: Any, place: Place, problems: Problems) -> None:
    for i, token in enumerate(tokens[:-1]):
        if token == "set" and isinstance(node, Table) and "preset" in node:
            inner = node.setdefault("set", Table(place))
            node.where.setdefault("set", place)
            if isinstance(inner, Table):
                inner.put(".".join(tokens[i + 1 :]), deepcopy(value), place)
            return
        child = child_of(node, token)
        if child is None:
            # A path must match; only its last key may be new.
            _no_match(node, tokens, i, place, problems)
            return
        node = child
    index = item_index(node, tokens[-1]) if isinstance(node, Items) else None
    if isinstance(node, Table):
        _put_key(node, tokens[-1], value, place, problems)
    elif index is not None:
        _put_item(node, index, value, place, problems)
    else:
        _no_match(node, tokens, len(tokens) - 1, place, problems)


def _put_item(items: Items, index: int, value: Any, place: Place, problems: Problems) -> None:
    """Replace an item by a value, or merge a table into it."""
    if isinstance(items[index], Table) and isinstance(value, Table):
        _merge(items[index], value, problems)
    else:
        items[index] = deepcopy(value)
        items.where[index] = place


def _put_key(table: Table, key: str, value: Any, place: Place, problems: Problems) -> None:
    """Set a key to a value; a table is merged into an existing table or array."""
    key, value = todays_key(table, key, value)
    existing = table.get(key)
    if isinstance(existing, Table) and isinstance(value, Table):
        _merge(existing, value, problems, literal=key == "set" and "preset" in table)
    elif isinstance(existing, Items) and isinstance(value, Table):
        for path, inner in value.items():
            _put(existing, path.split("."), inner, value.where[path], problems)
    else:
        table.put(key, deepcopy(value), place)


def _merge(target: Table, patch: Table, problems: Problems, *, literal: bool = False) -> None:
    for key, value in patch.items():
        tokens = [key] if literal else key.split(".")
        _put(target, tokens, value, patch.where[key], problems)


def put_from_command_line(recipe: Table, assignment: str, problems: Problems) -> None:
    """Apply one `--set PATH=VALUE`; a value that is not TOML counts as text."""
    path, equals, text = assignment.partition("=")
    place = Place(None, (f"--set {path}",))
    if "\n" in assignment or "\r" in assignment:
        hint = "give each assignment separately"
        problems.add(
            place, "an assignment must be one line", given=shown(assignment), hint=hint, code=Code.SEVERAL_ASSIGNMENTS
        )
        return
    if not equals or not path:
        problems.add(place, "must be PATH=VALUE", given=assignment, code=Code.BAD_ASSIGNMENT)
        return
    try:
        value = toml_file.parse(f"value = {text}")["value"]
        located = wrap(value, place)
    except toml_file.TooDeepError as error:
        problems.add(place, str(error), code=Code.TOO_DEEP)
        return
    except tomllib.TOMLDecodeError:
        located = text
    _put_assignment(recipe, path.strip(), located, place, problems)


GIVEN_VALUES = Path("(values of the program)")
"""Shown in a problem instead of a file if a program gave the value."""


def put_value(recipe: Table, path: str, value: Any, problems: Problems) -> None:
    """Set the value at a dotted path of a recipe, on behalf of a program."""
    place = Place(GIVEN_VALUES, (path,))
    _put_assignment(recipe, path, wrap(as_toml(value), place), place, problems)


def _put_assignment(recipe: Table, path: str, value: Any, place: Place, problems: Problems) -> None:
    """Set the value at a path; both may be in an older grammar."""
    for today, found in find_in_path(path, value, place).items():
        if today != path:
            problems.note_renamed(place, f"{path} is now {today}")
        _put(recipe, today.split("."), found, place, problems)
