"""A value as TOML writes it, on one line: for files that are ours and hold comments, which tomli-w cannot write."""

from __future__ import annotations

from typing import Any


def toml_text(value: Any) -> str:
    """A string, number, truth or an array of them."""
    import tomli_w

    if isinstance(value, list):
        return f"[{', '.join(toml_text(one) for one in value)}]"
    return tomli_w.dumps({"x": value}).removeprefix("x = ").rstrip("\n")
