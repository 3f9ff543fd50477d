"""Parses TOML from strangers: what is nested past all use is refused before it costs the parser its stack or time."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from chainrun.limits import Limits
from chainrun.whole_file import read_text

DEEPEST = 64
"""Arrays and inline tables inside each other, and parts of a key's whole path."""
LONGEST_KEY = 32
"""Parts of a dotted key."""
_TOKEN = re.compile(
    r"""
    (?P<text>\"\"\"(?:[^\\"]|\\.|"(?!""))*+\"\"\"|'''(?:[^']|'(?!''))*+'''|"(?:[^"\\\n]|\\.)*+"|'[^'\n]*+'|[A-Za-z0-9_-]++)
    |(?P<dot>\.)|(?P<open>[\[{])|(?P<close>[\]}])|(?P<gap>[ \t]++)|(?P<comment>\#[^\n]*+)|(?P<other>.)
    """,
    re.VERBOSE | re.DOTALL,
)


class UnbearableError(tomllib.TOMLDecodeError):
    """TOML that may well be valid, and that no sensible file holds."""

    def __init__(self, message: str, line: int):
        super().__init__(message)
        self.line = line


def parse(text: str) -> dict[str, Any]:
    """The data of a TOML text. Raises tomllib.TOMLDecodeError, whatever stands in it."""
    _look_over(text)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise
    except RecursionError as error:
        raise UnbearableError("arrays or tables are nested too deeply", 1) from error
    except ValueError as error:
        raise tomllib.TOMLDecodeError(f"a value cannot be read ({error})") from error


def read(path: Path, limits: Limits | None = None) -> dict[str, Any]:
    """The data of a TOML file. Raises OSError, or a ValueError for what is no text or no TOML."""
    return parse(read_text(path, limits))


def _look_over(text: str) -> None:
    """One pass over the text, whatever stands in it. Raises UnbearableError."""
    depth = dots = 0
    for token in _TOKEN.finditer(text):
        kind = token.lastgroup
        if kind == "dot":
            dots += 1
            if dots >= LONGEST_KEY:
                raise UnbearableError(f"a key has more than {LONGEST_KEY} parts", _line(text, token))
        elif kind not in ("text", "gap"):
            dots = 0
            if kind == "open":
                depth += 1
                if depth > DEEPEST:
                    raise UnbearableError("arrays or tables are nested too deeply", _line(text, token))
            elif kind == "close":
                depth = max(0, depth - 1)


def _line(text: str, token: re.Match[str]) -> int:
    return text.count("\n", 0, token.start()) + 1
