"""Writes values as TOML on one line, for our files with comments, which tomli-w cannot write."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def toml_text(value: Any) -> str:
    """Text, number, truth value, or an array or table of these, as TOML. Raises TypeError for any other value."""
    import tomli_w

    if isinstance(value, list | tuple):
        return f"[{', '.join(toml_text(one) for one in value)}]"
    if isinstance(value, dict):
        keys = {key: tomli_w.dumps({key: 0}).removesuffix(" = 0\n") for key in value}
        return f"{{ {', '.join(f'{keys[key]} = {toml_text(one)}' for key, one in value.items())} }}"
    return tomli_w.dumps({"x": value}).removeprefix("x = ").rstrip("\n")


def as_toml(value: Any) -> Any:
    """Value of a program as TOML data: texts, numbers, truth values, and lists and dicts of these.

    Raises TypeError for any other value.
    """
    if isinstance(value, bool | int | float | str):
        return value
    if isinstance(value, list | tuple):
        return [as_toml(one) for one in value]
    if isinstance(value, Mapping) and all(isinstance(key, str) for key in value):
        return {key: as_toml(inner) for key, inner in value.items()}
    raise TypeError(f"TOML has no {type(value).__name__}")
