"""Output: results on stdout, progress and notes on stderr, tables in 80 columns, states in colour."""

from __future__ import annotations

import json
import math
import os
import re
import shutil
import sys
import textwrap
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from typing import Any

from chainrun.cli.option_hints import for_command_line
from chainrun.errors import ChainrunError, Problem, printable

_MARK = f"\x01{os.urandom(4).hex()}"
"""Begins a mark of colour. No text from a file can hold it: it differs in every process."""
_MARKS = re.compile(f"{_MARK}([gry0])")
_ANSI = {"g": "\x1b[32m", "y": "\x1b[33m", "r": "\x1b[31m", "0": "\x1b[0m"}


def good(word: str) -> str:
    """A word that says that something is as it should be: green on a terminal."""
    return f"{_MARK}g{word}{_MARK}0"


def doubtful(word: str) -> str:
    """A word that says that something should be looked at: yellow on a terminal."""
    return f"{_MARK}y{word}{_MARK}0"


def bad(word: str) -> str:
    """A word that says that something failed: red on a terminal."""
    return f"{_MARK}r{word}{_MARK}0"


def has_colours(stream: Any) -> bool:
    """Whether colours may be written to a stream: a terminal, unless NO_COLOR or TERM say otherwise."""
    return bool(stream.isatty()) and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def put(text: str) -> None:
    """Write a line of the result to stdout; does nothing where that is closed."""
    if sys.stdout is not None:
        sys.stdout.write(_encodable(_lines(text, sys.stdout), sys.stdout) + "\n")


def put_lines(text: str, indent: str = "      ", states: Mapping[str, Callable[[str], str]] | None = None) -> None:
    """Write lines that may be long to stdout: wrapped at 80 columns on a terminal, else whole.

    `states` colours the first word of a line.
    """
    if sys.stdout is not None and sys.stdout.isatty():
        width = min(80, shutil.get_terminal_size().columns)
        wrapped = (
            textwrap.fill(line, width, subsequent_indent=indent, break_on_hyphens=False) for line in text.split("\n")
        )
        text = "\n".join(wrapped)
    put("\n".join(_coloured(line, states or {}) for line in text.split("\n")))


def _coloured(line: str, states: Mapping[str, Callable[[str], str]]) -> str:
    word = line.lstrip(" ").partition(" ")[0]
    return line.replace(word, states[word](word), 1) if word in states else line


def _lines(text: str, stream: Any) -> str:
    """The text, escaped so that it cannot steer a terminal; line ends and our own colours stay."""
    coloured = has_colours(stream) if _MARK in text else False
    return "\n".join(_shown(line, coloured) for line in text.split("\n"))


def _shown(line: str, coloured: bool) -> str:
    """Text and marks take turns: the text is escaped, the marks become colours or nothing."""
    parts = _MARKS.split(line)
    for at in range(0, len(parts), 2):
        parts[at] = printable(parts[at])
    for at in range(1, len(parts), 2):
        parts[at] = _ANSI[parts[at]] if coloured else ""
    return "".join(parts)


def put_json(document: Mapping[str, object]) -> None:
    """Write the result as one JSON document to stdout."""
    put(json.dumps(document, indent=1, ensure_ascii=True, allow_nan=False))


def put_utf8(text: str) -> None:
    """Write a TOML document to stdout, always in UTF-8; what would steer a terminal is escaped as in TOML."""
    if sys.stdout is None:
        return
    text = "".join(one if one.isprintable() or one == "\n" else f"\\U{ord(one):08X}" for one in text)
    binary = getattr(sys.stdout, "buffer", None)
    if binary is None:
        sys.stdout.write(text)
    else:
        sys.stdout.flush()
        binary.write(text.encode())


def talk(text: str) -> None:
    """Write a line for the user to stderr; a closed or full stderr is no error."""
    with suppress(OSError, ValueError, AttributeError):
        sys.stderr.write(_encodable(_lines(text, sys.stderr), sys.stderr) + "\n")
        sys.stderr.flush()


def note(text: str) -> None:
    """Write a note to stderr: something that the user should know, and that stopped nothing."""
    talk(f"{doubtful('note:')} {text}")


def _encodable(text: str, stream: Any) -> str:
    encoding = getattr(stream, "encoding", None) or "ascii"
    try:
        text.encode(encoding)
        return text
    except (UnicodeEncodeError, LookupError):
        plain = {"…": "...", "−": "-", "–": "-", "×": "x"}
        for mark, instead in plain.items():
            text = text.replace(mark, instead)
        return text.encode(encoding if encoding != "utf-8" else "ascii", "backslashreplace").decode("ascii", "replace")


def show_error(error: ChainrunError, *, as_json: bool) -> None:
    """Write all problems of an error to stderr; with `as_json` also as a JSON document to stdout."""
    if as_json:
        put_json(problems_document(error.problems))
    show_problems(error.problems)


def show_problems(problems: Sequence[Problem], *, count: bool = True) -> None:
    """Write problems to stderr, with the options that solve them; with `count` also their number, if several."""
    for problem in problems:
        talk(for_command_line(problem).text().replace("warning:", doubtful("warning:"), 1))
    if count and len(problems) > 1:
        talk(f"{len(problems)} problems")


def problem_records(problems: Sequence[Problem]) -> list[dict[str, object]]:
    """Problems as JSON objects, with the options that solve them."""
    return [for_command_line(problem).record() for problem in problems]


def problems_document(problems: Sequence[Problem]) -> dict[str, object]:
    """The JSON document of `check`."""
    return {"schema_version": 1, "problems": problem_records(problems)}


def number(value: float | None, digits: int = 1) -> str:
    """Format a number for a table: '-' for none, '-inf' for silence."""
    if value is None:
        return "-"
    if value == -math.inf:
        return "-inf"
    return f"{value:.{digits}f}"


def shortened(text: str, width: int, *, keep_end: bool = False) -> str:
    """The text, cut to a width with three dots."""
    if len(text) <= width:
        return text
    return "..." + text[3 - width :] if keep_end else text[: width - 3] + "..."


def table(head: Sequence[str], rows: Sequence[Sequence[str]], *, left: int = 1) -> str:
    """Rows under a head; the first `left` columns to the left, the others to the right. A head may have two lines."""
    heads = [cell.split("\n") for cell in head]
    height = max(map(len, heads))
    stacked = [[""] * (height - len(lines)) + lines for lines in heads]
    cells = [list(line) for line in zip(*stacked, strict=True)]
    cells += [list(row) for row in rows]
    widths = [max(_width(row[i]) for row in cells) for i in range(len(head))]
    lines = []
    for row in cells:
        parts = [
            _escaped(cell) + " " * (w - _width(cell)) if i < left else " " * (w - _width(cell)) + _escaped(cell)
            for i, (cell, w) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(parts).rstrip())
    return "\n".join(lines)


def _escaped(cell: str) -> str:
    """A cell with everything escaped but marks of colour."""
    parts = re.split(f"({_MARK}[gry0])", cell)
    return "".join(part if at % 2 else printable(part) for at, part in enumerate(parts))


def _width(cell: str) -> int:
    """Columns of a cell on the screen."""
    return len(printable(_MARKS.sub("", cell)))
