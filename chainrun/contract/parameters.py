"""Reads fields, units, ranges, defaults and help from a model's declaration, for errors, help and pages."""

from __future__ import annotations

import types
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Union, get_args, get_origin

import annotated_types as bounds
from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from chainrun.units import unit_of


@dataclass(frozen=True)
class Parameter:
    """Key of a table, described for people."""

    key: str
    unit: str
    kind: str
    allowed: str
    default: str
    help: str
    models: tuple[type[BaseModel], ...]
    """Models of the tables in the value."""


def models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    """Models that occur in a type: in unions, arrays, tables."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
        return
    for inner in get_args(annotation):
        if get_origin(annotation) is Annotated and inner is not get_args(annotation)[0]:
            continue
        yield from models_in(inner)


def _parts(annotation: Any) -> tuple[Any, ...]:
    if get_origin(annotation) is Annotated:
        return _parts(get_args(annotation)[0])
    if get_origin(annotation) in (Union, types.UnionType):
        return tuple(part for inner in get_args(annotation) for part in _parts(inner))
    return (annotation,)


def _kind(annotation: Any) -> str:
    words: list[str] = []
    for part in _parts(annotation):
        if part is type(None):
            continue
        origin = get_origin(part)
        if origin is Literal:
            values = [f'"{v}"' if isinstance(v, str) else str(v) for v in get_args(part)]
            word = ("one of " if len(values) > 1 else "") + ", ".join(values)
        elif part is bool:
            word = "true or false"
        elif part is float:
            word = "a number"
        elif part is int:
            word = "a whole number"
        elif part is str:
            word = "text"
        elif origin in (list, tuple):
            word = "an array"
        else:
            word = "a table"
        if word not in words:
            words.append(word)
    return " or ".join(words)


def allowed_of(key: str, field: FieldInfo) -> str:
    """Values that a field takes, with range and unit: '0.01 to 500 ms'."""
    low = high = None
    for bound in field.metadata:
        if isinstance(bound, bounds.Ge):
            low = bound.ge
        if isinstance(bound, bounds.Le):
            high = bound.le
    unit = unit_of(key)
    kind = _kind(field.annotation)
    if low is None and high is None:
        return f"{kind} in {unit}" if unit and "number" in kind else kind
    text = f"{_figures(low)} to {_figures(high)}" if low is not None and high is not None else f"{low} or more"
    whole = "whole numbers, " if kind == "a whole number" else ""
    return f"{whole}{text}{' ' + unit if unit else ''}"


def _figures(value: Any) -> str:
    return str(int(value)) if value == int(value) else f"{value:g}"


def _default(field: FieldInfo) -> str:
    value = field.get_default(call_default_factory=True, validated_data={})
    if value is PydanticUndefined:
        return "required"
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, list) and all(isinstance(one, str) for one in value):
        return "[" + ", ".join(f'"{one}"' for one in value) + "]"
    return "[]" if value == [] else ("{}" if value == {} else "")


def parameters(model: type[BaseModel]) -> list[Parameter]:
    """Keys of a table, its own before those of all steps."""
    from chainrun.contract.step import Step

    common = set(Step.model_fields) if issubclass(model, Step) and model is not Step else set()
    names = sorted(model.model_fields, key=lambda name: (name in common and name != "do", 0))
    found = []
    for name in names:
        field = model.model_fields[name]
        key = field.alias or name
        found.append(
            Parameter(
                key,
                unit_of(key),
                _kind(field.annotation),
                allowed_of(key, field),
                _default(field),
                field.description or "",
                tuple(models_in(field.annotation)),
            )
        )
    return found


def field_at(root: type[BaseModel], location: Sequence[str | int]) -> tuple[FieldInfo | None, list[type[BaseModel]]]:
    """Field at the location of a validation error, and the models of the table around it."""
    candidates: list[type[BaseModel]] = [root]
    around = candidates
    field: FieldInfo | None = None
    for step in location:
        if isinstance(step, int):
            continue
        hits = [(m, f) for m in candidates for n, f in m.model_fields.items() if step in (n, f.alias)]
        tagged = [
            m
            for m in candidates
            if step in {m.model_fields[n].default for n in ("do",) if n in m.model_fields}
            or any(step in get_args(m.model_fields[n].annotation) for n in ("do", "kind") if n in m.model_fields)
        ]
        if tagged and len(tagged) < len(candidates):
            candidates = tagged
            around = candidates
            field = None
        elif hits:
            field = hits[0][1]
            around = candidates
            candidates = [inner for _, f in hits for inner in models_in(f.annotation)]
        elif others := [other for m in candidates if (other := getattr(m, "any_other", None)) is not None]:
            around, candidates, field = candidates, others, None
        else:
            around = candidates
            field = None
    return field, around
