"""Parses TOML from strangers: text nested too deeply is refused before it exhausts the parser's stack or time."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from chainrun.limits import Limits
from chainrun.whole_file import read_text

MAX_DEPTH = 64
"""Maximum depth of nested arrays and inline tables, and maximum number of parts of a key's whole path."""
MAX_KEY_PARTS = 32
"""Maximum number of parts of a dotted key."""
_TOKEN = re.compile(
    r"""
    (?P<text>\"\"\"(?:[^\\"]|\\.|"(?!""))*+\"\"\"|'''(?:[^']|'(?!''))*+'''|"(?:[^"\\\n]|\\.)*+"|'[^'\n]*+'|[A-Za-z0-9_-]++)
    |(?P<dot>\.)|(?P<open>[\[{])|(?P<close>[\]}])|(?P<gap>[ \t]++)|(?P<comment>\#[^\n]*+)|(?P<other>.)
    """,
    re.VERBOSE | re.DOTALL,
)


class TooDeepError(tomllib.TOMLDecodeError):
    """TOML that is nested deeper than in any sensible file, valid or not."""

    def __init__(self, message: str, line: int):
        super().__init__(message)
        self.line = line


def parse(text: str) -> dict[str, Any]:
    """Data of a TOML text. Raises tomllib.TOMLDecodeError, and nothing else, for any text that is not valid."""
    _look_over(text)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise
    except RecursionError as error:
        raise TooDeepError("arrays or tables are nested too deeply", 1) from error
    except ValueError as error:
        raise tomllib.TOMLDecodeError(f"a value cannot be read ({error})") from error


def read(path: Path, limits: Limits | None = None) -> dict[str, Any]:
    """Data of a TOML file. Raises OSError, or ValueError for a file that is not text or not TOML."""
    return parse(read_text(path, limits))


def _look_over(text: str) -> None:
    """Scan the text once for depth and long keys, valid TOML or not. Raises TooDeepError."""
    depth = dots = 0
    for token in _TOKEN.finditer(text):
        kind = token.lastgroup
        if kind == "dot":
            dots += 1
            if dots >= MAX_KEY_PARTS:
                raise TooDeepError(f"a key has more than {MAX_KEY_PARTS} parts", _line(text, token))
        elif kind not in ("text", "gap"):
            dots = 0
            if kind == "open":
                depth += 1
                if depth > MAX_DEPTH:
                    raise TooDeepError("arrays or tables are nested too deeply", _line(text, token))
            elif kind == "close":
                depth = max(0, depth - 1)


def _line(text: str, token: re.Match[str]) -> int:
    return text.count("\n", 0, token.start()) + 1
