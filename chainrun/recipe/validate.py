"""Runs a model over located data, and turns what pydantic says into problems that a person can act on."""

from __future__ import annotations

from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from chainrun.contract import key_owner, processors
from chainrun.contract.parameters import allowed_of, field_at
from chainrun.errors import nearest, shown
from chainrun.recipe.problems import MAX_PROBLEMS, Problems
from chainrun.recipe.tables import Items, KeyPath, Table, place_of, plain
from chainrun.units import unit_of

Model = TypeVar("Model", bound=BaseModel)
_WRONG_TYPE = {
    "float_type": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "bool_type": "true or false",
    "string_type": "text in quotes",
    "list_type": "an array",
    "tuple_type": "an array",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
}


def validate(model: type[Model], data: Table, problems: Problems) -> Model | None:
    """The model made from the data, or None with every problem told at its place."""
    try:
        return model.model_validate(plain(data))
    except ValidationError as error:
        told: dict[KeyPath, ErrorDetails] = {}
        for detail in error.errors(include_url=False)[: 2 * MAX_PROBLEMS]:
            path = _path_in_data(data, detail)
            if path not in told or _says_more(detail, told[path]):
                told[path] = detail
        for path, detail in told.items():
            if detail["type"] in _WRONG_TYPE and any(one[: len(path)] == path and one != path for one in told):
                continue  # the other branch of a union got further
            _tell(model, data, path, detail, problems)
        return None


def _path_in_data(data: Table, detail: ErrorDetails) -> KeyPath:
    """The error's location without the tags of unions, which are no keys."""
    path: list[str | int] = []
    node: Any = data
    location = detail["loc"]
    for i, step in enumerate(location):
        if isinstance(node, Table) and step in node:
            node = node[str(step)]
        elif isinstance(node, Items) and isinstance(step, int) and step < len(node):
            node = node[step]
        elif not (i == len(location) - 1 and detail["type"] in ("missing", "extra_forbidden")):
            continue
        path.append(step)
    return tuple(path)


def _says_more(new: ErrorDetails, old: ErrorDetails) -> bool:
    """Of two branches of a union: the one whose type fitted, and whose content did not."""
    return old["type"] in _WRONG_TYPE and new["type"] not in _WRONG_TYPE


def _tell(model: type[BaseModel], data: Table, path: KeyPath, detail: ErrorDetails, problems: Problems) -> None:
    kind = detail["type"]
    context = detail.get("ctx", {})
    location = detail["loc"]
    field, around = field_at(model, location)
    key = next((str(step) for step in reversed(path) if isinstance(step, str)), "")
    given: str | None = shown(detail["input"])
    allowed = allowed_of(key, field) if field is not None else None
    hint: str | None = None
    message = "is not valid"
    if kind == "missing":
        message, given = f"{path[-1]!r} is missing", None
        hint = field.description if field is not None else None
        if len(path) == 3 and path[0] == "stems" and path[2] == "file":
            others = [
                name
                for name, stem in data["stems"].items()
                if name != path[1] and isinstance(stem, dict) and "file" in stem
            ]
            hint = nearest(str(path[1]), others) or hint
    elif kind == "extra_forbidden":
        names = sorted({f.alias or n for m in around for n, f in m.model_fields.items()})
        message, allowed = "there is no such key here", ", ".join(names)
        hint = _other_unit(str(path[-1]), detail["input"], names) or nearest(str(path[-1]), names)
    elif kind == "union_tag_invalid":
        tag = str(context.get("tag"))
        word = str(context.get("discriminator")).strip("'")
        known = [one.strip().strip("'") for one in str(context.get("expected_tags")).split(",")]
        message = "there is no such processor" if word == "do" else f"there is no such {word}"
        owner = key_owner(tag) if word == "do" else None
        given, allowed, hint = shown(tag), ", ".join(known), nearest(tag, known)
        hint = f"{owner[1]} is a key of {owner[0]!r}" if owner is not None else hint
        path = (*path, word)
    elif kind == "union_tag_not_found":
        message, given = "a step needs `do` (a processor) or `preset` (a preset's name)", None
        allowed = ", ".join(processors())
        if "bands" in path:
            message, allowed = "a band needs `kind`", None
    elif kind in _WRONG_TYPE:
        message = "has the wrong type"
        inside = bool(path) and isinstance(path[-1], int)  # an item's type, not the array's
        allowed = _WRONG_TYPE[kind] if inside or not allowed else allowed
        if key == "chain" and not inside:
            allowed = "an array of steps: [ { do = … }, … ]"
    elif kind in ("greater_than_equal", "less_than_equal"):
        message = "is out of range"
        if not allowed or " to " not in allowed:
            word, limit = ("at least", context.get("ge")) if "ge" in context else ("at most", context.get("le"))
            allowed = f"{word} {limit:g} {unit_of(key) or ''}".rstrip()
        hint = _slip(key, detail["input"], field)
    elif kind == "finite_number":
        message = "must be a finite number"
    elif kind == "literal_error":
        message = "is not one of the values"
        allowed = str(context.get("expected", "")).replace("'", '"').replace(" or ", ", ")
        if isinstance(detail["input"], str):
            hint = nearest(detail["input"], [word.strip().strip('"') for word in allowed.split(",")])
    elif kind in ("too_short", "too_long", "string_too_short", "string_too_long"):
        message = "is too short" if "short" in kind else "is too long"
        limit = context.get("min_length", context.get("max_length"))
        allowed = f"{'at least' if 'short' in kind else 'at most'} {limit}"
    elif kind == "string_pattern_mismatch":
        message = "is not a name"
        allowed = "letters, digits, - and _, at most 64"
    elif kind == "value_error":
        message, allowed = str(context.get("error", detail["msg"])), None
        if isinstance(detail["input"], dict | list):
            given = None
    else:
        message = detail["msg"]
    problems.add(place_of(data, path), message, given=given, allowed=allowed, hint=hint)


def _slip(key: str, value: Any, field: FieldInfo | None) -> str | None:
    """A number that would fit in a unit a thousand times larger or smaller."""
    if field is None or not isinstance(value, int | float):
        return None
    low = next((b.ge for b in field.metadata if hasattr(b, "ge")), None)
    high = next((b.le for b in field.metadata if hasattr(b, "le")), None)
    if low is None or high is None:
        return None
    if key.endswith("_ms") and value > high and value >= 1000 and low <= value / 1000 <= high:
        return f"{value:g} ms is {value / 1000:g} s: did you mean {value / 1000:g} ms?"
    if key.endswith("_ms") and 0 < value < low and low <= value * 1000 <= high:
        return f"if {value:g} s is meant, write {value * 1000:g}"
    if key.endswith("_hz") and 0 < value < low and low <= value * 1000 <= high:
        return f"if {value:g} kHz is meant, write {value * 1000:g}"
    if key.endswith("_db") and -value >= low and -value <= high:
        return f"did you mean {-value:g}?"
    return None


def _other_unit(key: str, value: Any, names: list[str]) -> str | None:
    """The same quantity under another unit: attack_s -> attack_ms."""
    stem = key
    for ending in (
        "_" + unit for unit in ("db", "dbfs", "dbtp", "lufs", "hz", "khz", "ms", "s", "samples", "pct", "m")
    ):
        if key.endswith(ending):
            stem = key.removesuffix(ending)
            break
    same = [name for name in names if name.rsplit("_", 1)[0] == stem and unit_of(name)]
    if not same and stem == key:
        same = [name for name in names if name.startswith(f"{key}_") and unit_of(name)]
    if not same:
        return None
    factor = {("_s", "_ms"): 1000.0, ("_khz", "_hz"): 1000.0}.get((key[len(stem) :], same[0][len(stem) :]))
    if factor and isinstance(value, int | float) and not isinstance(value, bool):
        return f"did you mean {same[0]} = {value * factor:g}?"
    return f"did you mean {same[0]!r}?"
