"""Validates located data with a model, and turns pydantic's errors into problems that a person can act on."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from chainrun.contract import key_owner, processors
from chainrun.contract.model import is_version
from chainrun.contract.parameters import allowed_of, field_at
from chainrun.errors import Problem, nearest, shown
from chainrun.problem_codes import Code
from chainrun.recipe.problems import MAX_PROBLEMS, Problems
from chainrun.recipe.slips import infinity_of, key_hint, value_hint
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
    """Make the model from the data; on failure add all problems and return None."""
    try:
        return model.model_validate(plain(data))
    except ValidationError as error:
        details: dict[KeyPath, ErrorDetails] = {}
        for detail in error.errors(include_url=False)[: 2 * MAX_PROBLEMS]:
            path = _path_in_data(data, detail)
            if path not in details or _says_more(detail, details[path]):
                details[path] = detail
        for path, detail in details.items():
            if detail["type"] in _WRONG_TYPE and any(one[: len(path)] == path and one != path for one in details):
                continue  # the other branch of a union got further
            _report(model, data, path, detail, problems)
        return None


def _path_in_data(data: Table, detail: ErrorDetails) -> KeyPath:
    """Location of an error without the tags of unions, which are not keys."""
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
    """Whether the new error is from the branch of a union whose type fitted, and the old one is not."""
    return old["type"] in _WRONG_TYPE and new["type"] not in _WRONG_TYPE


@dataclass(frozen=True)
class _Wrong:
    """Validation error, with the field that it is about."""

    data: Table
    path: KeyPath
    """Its place in the data."""
    kind: str
    """Pydantic's type of the error; a problem code for errors of our own validators."""
    context: Mapping[str, Any]
    value: Any
    said: str
    field: FieldInfo | None
    around: list[type[BaseModel]]
    """Models of the table around it."""

    @property
    def key(self) -> str:
        """Innermost key of the path."""
        return next((str(step) for step in reversed(self.path) if isinstance(step, str)), "")

    @property
    def allowed(self) -> str | None:
        """Values that the field takes, from its declaration."""
        return allowed_of(self.key, self.field) if self.field is not None else None

    def problem(self) -> Problem:
        """Problem to report."""
        own = _OWN.get(self.kind)
        if own is not None:
            given = None if isinstance(self.value, dict | list) else shown(self.value)
            return Problem(self.said, given=given, code=own)
        problem = _PROBLEMS.get(self.kind, _of_another_kind)(self)
        if problem.given is not None or self.kind in _GIVE_NOTHING:
            return problem
        return replace(problem, given=shown(self.value))


def _missing(wrong: _Wrong) -> Problem:
    path = wrong.path
    hint = wrong.field.description if wrong.field is not None else None
    if len(path) == 3 and path[0] == "stems" and path[2] == "file":
        stems = wrong.data["stems"].items()
        others = [name for name, stem in stems if name != path[1] and isinstance(stem, dict) and "file" in stem]
        hint = nearest(str(path[1]), others) or hint
    return Problem(f"{path[-1]!r} is missing", allowed=wrong.allowed, hint=hint, code=Code.MISSING_KEY)


def _unknown_key(wrong: _Wrong) -> Problem:
    names = sorted({f.alias or n for m in wrong.around for n, f in m.model_fields.items()})
    key = str(wrong.path[-1])
    if key == "solo" and len(wrong.path) == 3 and wrong.path[0] in ("stems", "buses"):
        return _solo(wrong, names)
    hint = key_hint(key, wrong.value, names) or _other_unit(key, wrong.value, names) or nearest(key, names)
    return Problem("there is no such key here", allowed=", ".join(names), hint=hint, code=Code.UNKNOWN_KEY)


def _solo(wrong: _Wrong, names: list[str]) -> Problem:
    """Problem of `solo` in a stem or bus, which is chosen when rendering instead."""
    message, allowed, node = "there is no such key here", ", ".join(names), str(wrong.path[1])
    if wrong.value is False:
        return Problem(message, allowed=allowed, hint="leave it out", code=Code.UNKNOWN_KEY)
    hint = f"a recipe has no solo: render {node} alone"
    return Problem(message, allowed=allowed, hint=hint, code=Code.UNKNOWN_KEY, facts=(("only", node),))


def _unknown_tag(wrong: _Wrong) -> Problem:
    tag, word = str(wrong.context.get("tag")), _discriminator(wrong)
    known = [one.strip().strip("'") for one in str(wrong.context.get("expected_tags")).split(",")]
    begun = [one for one in known if len(tag) > 2 and one.startswith(tag.lower())]
    hint, allowed = nearest(tag, known) or nearest(begun[0] if begun else "", begun), ", ".join(known)
    if word != "do":
        return Problem(f"there is no such {word}", given=shown(tag), allowed=allowed, hint=hint, code=Code.UNKNOWN_KIND)
    owner = key_owner(tag)
    hint = f"{owner[1]} is a key of {owner[0]!r}" if owner is not None else hint
    message = "there is no such processor"
    return Problem(message, given=shown(tag), allowed=allowed, hint=hint, code=Code.UNKNOWN_PROCESSOR)


def _no_tag(wrong: _Wrong) -> Problem:
    if "bands" in wrong.path:
        return Problem("a band needs `kind`", code=Code.MISSING_KEY)
    message = "a step needs `do` (a processor) or `preset` (a preset's name)"
    meant = [one for one in wrong.value.values() if isinstance(one, str)] if isinstance(wrong.value, dict) else []
    do = next((one for one in meant if one in processors()), None)
    hint = f'did you mean do = "{do}"?' if do is not None else None
    return Problem(message, allowed=", ".join(processors()), hint=hint, code=Code.MISSING_PROCESSOR)


def _wrong_type(wrong: _Wrong) -> Problem:
    inside = bool(wrong.path) and isinstance(wrong.path[-1], int)  # an item's type, not the array's
    allowed = _WRONG_TYPE[wrong.kind] if inside or not wrong.allowed else wrong.allowed
    if wrong.key == "chain" and not inside:
        allowed = "an array of steps: [ { do = … }, … ]"
    if isinstance(wrong.value, dict) and not inside and "array" in str(allowed):
        header = ".".join(step for step in wrong.path if isinstance(step, str))
        hint: str | None = f"for each item a table in double brackets: [[{header}]]"
    else:
        names = [f.alias or n for m in wrong.around for n, f in m.model_fields.items()]
        hint = value_hint(wrong.key, f"{_WRONG_TYPE[wrong.kind]}, {allowed}", wrong.value, names, wrong.field)
    return Problem("has the wrong type", allowed=allowed, hint=hint, code=Code.WRONG_TYPE)


def _out_of_range(wrong: _Wrong) -> Problem:
    allowed, context = wrong.allowed, wrong.context
    if not allowed or " to " not in allowed:
        word, limit = ("at least", context.get("ge")) if "ge" in context else ("at most", context.get("le"))
        allowed = f"{word} {limit:g} {unit_of(wrong.key) or ''}".rstrip()
    hint = _slip(wrong.key, wrong.value, wrong.field)
    return Problem("is out of range", allowed=allowed, hint=hint, code=Code.OUT_OF_RANGE)


def _not_finite(wrong: _Wrong) -> Problem:
    names = [f.alias or n for m in wrong.around for n, f in m.model_fields.items()]
    hint = infinity_of(names, wrong.key, wrong.field, wrong.value)
    return Problem("must be a finite number", allowed=wrong.allowed, hint=hint, code=Code.OUT_OF_RANGE)


def _none_of_the_values(wrong: _Wrong) -> Problem:
    allowed = str(wrong.context.get("expected", "")).replace("'", '"').replace(" or ", ", ")
    hint = None
    if isinstance(wrong.value, str):
        hint = nearest(wrong.value, [word.strip().strip('"') for word in allowed.split(",")])
    code = Code.UNKNOWN_VERSION if wrong.field is not None and is_version(wrong.field) else Code.UNKNOWN_VALUE
    return Problem("is not one of the values", allowed=allowed, hint=hint, code=code)


def _too_short(wrong: _Wrong) -> Problem:
    allowed = f"at least {wrong.context.get('min_length')}"
    return Problem("is too short", allowed=allowed, code=Code.WRONG_LENGTH)


def _too_long(wrong: _Wrong) -> Problem:
    most = wrong.context.get("max_length")
    numbers = isinstance(wrong.value, list) and all(type(one) in (int, float) for one in wrong.value)
    hint = (
        "a decimal number has a point: 6,5 is two numbers" if numbers and len(wrong.value) == 3 and most == 2 else None
    )
    return Problem("is too long", allowed=f"at most {most}", hint=hint, code=Code.WRONG_LENGTH)


def _not_a_name(_: _Wrong) -> Problem:
    return Problem("is not a name", allowed="letters, digits, - and _, at most 64", code=Code.NOT_A_NAME)


def _by_a_validator(wrong: _Wrong) -> Problem:
    """Problem from a validator without a code."""
    given = None if isinstance(wrong.value, dict | list) else shown(wrong.value)
    return Problem(str(wrong.context.get("error", wrong.said)), given=given, code=Code.BAD_VALUE)


def _of_another_kind(wrong: _Wrong) -> Problem:
    return Problem(wrong.said, allowed=wrong.allowed, code=Code.BAD_VALUE)


_OWN = {code.value: code for code in Code}
"""Codes by the error types of our own validators: see `misuse`."""
_GIVE_NOTHING = ("missing", "union_tag_not_found", "value_error")
"""Error types whose problems need no `given`."""
_PROBLEMS: dict[str, Callable[[_Wrong], Problem]] = {
    **dict.fromkeys(_WRONG_TYPE, _wrong_type),
    "missing": _missing,
    "extra_forbidden": _unknown_key,
    "union_tag_invalid": _unknown_tag,
    "union_tag_not_found": _no_tag,
    "greater_than_equal": _out_of_range,
    "less_than_equal": _out_of_range,
    "finite_number": _not_finite,
    "literal_error": _none_of_the_values,
    "too_short": _too_short,
    "string_too_short": _too_short,
    "too_long": _too_long,
    "string_too_long": _too_long,
    "string_pattern_mismatch": _not_a_name,
    "value_error": _by_a_validator,
}
"""Function that makes the problem, by pydantic's error type."""


def _discriminator(wrong: _Wrong) -> str:
    """Key that discriminates the members of a union."""
    return str(wrong.context.get("discriminator")).strip("'")


def _report(model: type[BaseModel], data: Table, path: KeyPath, detail: ErrorDetails, problems: Problems) -> None:
    field, around = field_at(model, detail["loc"])
    context = detail.get("ctx", {})
    wrong = _Wrong(data, path, detail["type"], context, detail["input"], detail["msg"], field, around)
    if wrong.kind == "union_tag_invalid":
        path = (*path, _discriminator(wrong))
    problems.tell(place_of(data, path), wrong.problem())


def _slip(key: str, value: Any, field: FieldInfo | None) -> str | None:
    """Hint for a number out of range that would fit with another unit or sign."""
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
    if key == "ratio" and 0 < value < low <= 1 / value <= high:
        return f"a ratio of 1:{1 / value:g} is written {1 / value:g}"
    if key.endswith(("_db", "_dbfs", "_dbtp", "_lufs")) and -value >= low and -value <= high:
        return f"did you mean {-value:g}?"
    return None


def _other_unit(key: str, value: Any, names: list[str]) -> str | None:
    """Hint for a key with another unit of the same quantity: attack_s -> attack_ms."""
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
