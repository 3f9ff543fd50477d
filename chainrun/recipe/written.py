"""Recipes as TOML for people: one key on each line, long steps as `[[stems.kick.chain]]`, short chains in one array."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from textwrap import wrap
from typing import Any

from chainrun.recipe.toml_text import toml_text

MAX_WIDTH = 100
"""Characters of a line that holds a whole step, table or array."""
INDENT = "  "
_FIRST = ("do", "preset", "name", "kind")
_GROUPS = ("stems", "buses")
_ALWAYS_TABLES = ("main", "expect", "variants", *_GROUPS)


def recipe_text(data: Mapping[str, Any]) -> str:
    """A whole recipe."""
    return "\n".join(_Writer(MAX_WIDTH).body(data, "", top=True)).strip("\n") + "\n"


def step_lines(step: Mapping[str, Any], header: str, width: int = MAX_WIDTH) -> list[str]:
    """A step as a table with one key on each line; an array of bands has one band on each line."""
    return _Writer(width).step(step, header)


def chain_lines(
    steps: Sequence[Mapping[str, Any]], header: str, comments: Sequence[Sequence[str]] = ()
) -> tuple[list[str], list[str]]:
    """A chain as lines among the keys of its table, or as tables after them: one of the two is empty.

    `comments` has the lines above each step; one item more has those after the last.
    """
    return _Writer(MAX_WIDTH).chain(steps, f"{header}.chain", comments)


def value_text(value: Any) -> str:
    """A value on one line; whole numbers without decimals."""
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15 and not _is_minus_zero(value):
        return str(int(value))
    if isinstance(value, list | tuple):
        items = ", ".join(value_text(one) for one in value)
        return f"[ {items} ]" if _is_tables(value) else f"[{items}]"
    if isinstance(value, Mapping):
        inside = ", ".join(f"{key_text(key)} = {value_text(one)}" for key, one in value.items())
        return f"{{ {inside} }}" if inside else "{}"
    return toml_text(value)


def key_text(key: str) -> str:
    """A key, in quotes where it needs them."""
    return toml_text({key: 0}).removeprefix("{ ").removesuffix(" = 0 }")


@dataclass(frozen=True)
class _Writer:
    width: int

    def body(self, table: Mapping[str, Any], header: str, *, top: bool = False) -> list[str]:
        """The keys of a table: those that fit into lines first, then its tables."""
        lines, after = self._parts(table, header, top=top)
        return [*lines, *after]

    def _parts(self, table: Mapping[str, Any], header: str, *, top: bool) -> tuple[list[str], list[str]]:
        lines: list[str] = []
        after: list[str] = []
        for key, value in table.items():
            path = f"{header}.{key_text(key)}" if header else key_text(key)
            if key == "chain" and _is_tables(value):
                here, tables = self.chain(value, path)
                lines += here
                after += tables
            elif isinstance(value, Mapping) and (_stays_a_table(key, header, top) or not self._fits(key, value)):
                own, inner = self._parts(value, path, top=False)
                after += [*([] if inner and not own else ["", f"[{path}]"]), *own, *inner]
            elif _is_tables(value) and (top or not all(self._fits("", one) for one in value)):
                for one in value:
                    after += ["", *self.step(one, path)]
            else:
                lines += self._key_lines(key, value)
        return lines, after

    def step(self, step: Mapping[str, Any], header: str) -> list[str]:
        first = {key: step[key] for key in _FIRST if key in step}
        return [f"[[{header}]]", *self.body({**first, **step}, header)]

    def chain(
        self, steps: Sequence[Mapping[str, Any]], path: str, comments: Sequence[Sequence[str]] = ()
    ) -> tuple[list[str], list[str]]:
        above = [*comments, *[()] * (len(steps) + 1 - len(comments))]
        last = above[len(steps)]
        if not steps:
            return self._comment(last), []
        if all(self._fits("", step) for step in steps):
            line = f"chain = {value_text(steps)}"
            if len(steps) < 2 and not any(above) and len(line) <= self.width:
                return [line], []
            lines = ["chain = ["]
            for step, why in zip(steps, above, strict=False):
                lines += [*self._comment(why, INDENT), f"{INDENT}{value_text(step)},"]
            return [*lines, *self._comment(last, INDENT), "]"], []
        lines = []
        for step, why in zip(steps, above, strict=False):
            lines += ["", *self._comment(why), *self.step(step, path)]
        return [], [*lines, *([""] if last else []), *self._comment(last)]

    def _comment(self, sentences: Sequence[str], indent: str = "") -> list[str]:
        lead = f"{indent}# "
        return [
            line for one in sentences for line in wrap(one, self.width, initial_indent=lead, subsequent_indent=lead)
        ]

    def _key_lines(self, key: str, value: Any) -> list[str]:
        """`key = value`, or an array with one item on each line where one line would be long."""
        line = f"{key_text(key)} = {value_text(value)}"
        if isinstance(value, list | tuple) and value and (_is_tables(value) or len(line) > self.width):
            return [f"{key_text(key)} = [", *(f"{INDENT}{value_text(one)}," for one in value), "]"]
        return [line]

    def _fits(self, key: str, value: Any) -> bool:
        lead = f"{key_text(key)} = " if key else INDENT
        return len(f"{lead}{value_text(value)},") <= self.width


def _stays_a_table(key: str, header: str, top: bool) -> bool:
    return (top and key in _ALWAYS_TABLES) or header in _GROUPS


def _is_tables(value: Any) -> bool:
    return isinstance(value, list | tuple) and bool(value) and all(isinstance(one, Mapping) for one in value)


def _is_minus_zero(value: float) -> bool:
    return value == 0.0 and math.copysign(1.0, value) < 0.0
