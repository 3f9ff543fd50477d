"""Looks over TOML before it is parsed: what is nested or dotted past all use would cost the parser its stack or time."""

from __future__ import annotations

import re

DEEPEST = 64
"""Arrays and inline tables inside each other."""
LONGEST_KEY = 32
"""Parts of a dotted key."""
_TOKEN = re.compile(
    r"""
    (?P<text>\"\"\"(?:[^\\"]|\\.|"(?!""))*+\"\"\"|'''(?:[^']|'(?!''))*+'''|"(?:[^"\\\n]|\\.)*+"|'[^'\n]*+'|[A-Za-z0-9_-]++)
    |(?P<dot>\.)|(?P<open>[\[{])|(?P<close>[\]}])|(?P<gap>[ \t]++)|(?P<comment>\#[^\n]*+)|(?P<other>.)
    """,
    re.VERBOSE | re.DOTALL,
)


def misshapen(text: str) -> tuple[str, int] | None:
    """Why a parser should not be handed this text, and the line, or None. One pass, whatever stands in it."""
    depth = dots = 0
    for token in _TOKEN.finditer(text):
        kind = token.lastgroup
        if kind == "dot":
            dots += 1
            if dots >= LONGEST_KEY:
                return f"a key has more than {LONGEST_KEY} parts", text.count("\n", 0, token.start()) + 1
        elif kind not in ("text", "gap"):
            dots = 0
            if kind == "open":
                depth += 1
                if depth > DEEPEST:
                    return "arrays or tables are nested too deeply", text.count("\n", 0, token.start()) + 1
            elif kind == "close":
                depth = max(0, depth - 1)
    return None
