"""Recipes as TOML for people: one key on each line, long steps as `[[stems.kick.chain]]`, short chains in one array."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from chainrun.recipe.toml_text import toml_text

MAX_WIDTH = 100
"""Characters of a line that holds a whole step, table or array."""
INDENT = "  "
_FIRST = ("do", "preset", "name", "kind")
_GROUPS = ("stems", "buses")
_ALWAYS_TABLES = ("main", "expect", "variants", "deliver", *_GROUPS)


def recipe_text(data: Mapping[str, Any]) -> str:
    """A whole recipe."""
    return "\n".join(_body(data, "", top=True)).strip("\n") + "\n"


def value_text(value: Any) -> str:
    """A value on one line; whole numbers without their decimals."""
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15 and not _is_minus_zero(value):
        return str(int(value))
    if isinstance(value, list | tuple):
        return f"[{', '.join(value_text(one) for one in value)}]"
    if isinstance(value, Mapping):
        inside = ", ".join(f"{key_text(key)} = {value_text(one)}" for key, one in value.items())
        return f"{{ {inside} }}" if inside else "{}"
    return toml_text(value)


def key_text(key: str) -> str:
    """A key, in quotes where it needs them."""
    return toml_text({key: 0}).removeprefix("{ ").removesuffix(" = 0 }")


def chain_lines(
    steps: Sequence[Mapping[str, Any]], header: str, comments: Sequence[Sequence[str]] = ()
) -> tuple[list[str], list[str]]:
    """A chain as lines among the keys of its table, and as tables after them: one of the two is empty.

    `comments` are lines above each step, and those of one index more after the last.
    """
    above = [*comments, *[()] * (len(steps) + 1 - len(comments))]
    if all(len(INDENT + value_text(step) + ",") <= MAX_WIDTH for step in steps):
        if not any(above) and (line := f"chain = {value_text(steps)}") and len(steps) < 2 and len(line) <= MAX_WIDTH:
            return [line], []
        lines = ["chain = ["]
        for step, why in zip(steps, above, strict=False):
            lines += [*(f"{INDENT}# {one}" for one in why), f"{INDENT}{value_text(step)},"]
        return [*lines, *(f"{INDENT}# {one}" for one in above[-1]), "]"], []
    lines = []
    for step, why in zip(steps, above, strict=False):
        lines += ["", *(f"# {one}" for one in why), *step_lines(step, f"{header}.chain")]
    return [], [*lines, *([""] if above[-1] else []), *(f"# {one}" for one in above[-1])]


def step_lines(step: Mapping[str, Any], header: str) -> list[str]:
    """A step as a table with one key on each line; an array of bands has one on each line."""
    first = {key: step[key] for key in _FIRST if key in step}
    return [f"[[{header}]]", *_body({**first, **step}, header)]


def _body(table: Mapping[str, Any], header: str, *, top: bool = False) -> list[str]:
    """The keys of a table: those that fit into lines first, then its tables."""
    lines: list[str] = []
    after: list[str] = []
    for key, value in table.items():
        path = f"{header}.{key_text(key)}" if header else key_text(key)
        if key == "chain" and _is_tables(value):
            here, tables = chain_lines(value, header)
            lines += here
            after += tables
        elif isinstance(value, Mapping) and (_stays_a_table(key, header, top) or not _fits(key, value)):
            after += _table(key, value, path, top=top)
        elif _is_tables(value) and (top or not all(_fits("", one) for one in value)):
            for one in value:
                after += ["", *step_lines(one, path)]
        else:
            lines += _key_lines(key, value)
    return [*lines, *after]


def _stays_a_table(key: str, header: str, top: bool) -> bool:
    return (top and key in _ALWAYS_TABLES) or header in _GROUPS


def _table(key: str, value: Mapping[str, Any], path: str, *, top: bool) -> Iterator[str]:
    if not (top and key in _GROUPS and value):  # a table of tables alone needs no header
        yield from ("", f"[{path}]")
    yield from _body(value, path)


def _key_lines(key: str, value: Any) -> list[str]:
    """`key = value`, or an array with one item on each line where one line would be long."""
    line = f"{key_text(key)} = {value_text(value)}"
    if isinstance(value, list | tuple) and value and (_is_tables(value) or len(line) > MAX_WIDTH):
        return [f"{key_text(key)} = [", *(f"{INDENT}{value_text(one)}," for one in value), "]"]
    return [line]


def _is_tables(value: Any) -> bool:
    return isinstance(value, list | tuple) and bool(value) and all(isinstance(one, Mapping) for one in value)


def _fits(key: str, value: Any) -> bool:
    lead = f"{key_text(key)} = " if key else INDENT
    return len(f"{lead}{value_text(value)},") <= MAX_WIDTH


def _is_minus_zero(value: float) -> bool:
    return value == 0.0 and math.copysign(1.0, value) < 0.0
