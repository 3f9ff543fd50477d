"""The one place that prints: results on stdout, talk on stderr, tables in 80 columns."""

from __future__ import annotations

import json
import math
import shutil
import sys
import textwrap
from collections.abc import Sequence
from contextlib import suppress
from typing import Any

from chainrun.cli.option_hints import for_command_line
from chainrun.cli.stopping import stop_if_asked
from chainrun.errors import ChainrunError, Problem, printable


def put(text: str) -> None:
    """A line of the result, on stdout; nothing where that is closed."""
    if sys.stdout is not None:
        sys.stdout.write(_encodable(_lines(text), sys.stdout) + "\n")


def put_lines(text: str, indent: str = "      ") -> None:
    """Lines that may be long: wrapped at 80 columns where a person reads them, whole where a program does."""
    if sys.stdout is not None and sys.stdout.isatty():
        width = min(80, shutil.get_terminal_size().columns)
        wrapped = (
            textwrap.fill(line, width, subsequent_indent=indent, break_on_hyphens=False) for line in text.split("\n")
        )
        text = "\n".join(wrapped)
    put(text)


def _lines(text: str) -> str:
    """Nothing but lines reaches a terminal: whatever would steer it is escaped."""
    return "\n".join(printable(line) for line in text.split("\n"))


def put_json(document: dict[str, Any]) -> None:
    """The result as one JSON document, on stdout."""
    put(json.dumps(document, indent=1, ensure_ascii=True, allow_nan=False))


def put_utf8(text: str) -> None:
    """A TOML document, in UTF-8 whatever the terminal is, on stdout; what would steer one is escaped as in TOML."""
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
    """A line for the person who waits, on stderr. Talk that nobody can hear is no error."""
    with suppress(OSError, ValueError, AttributeError):
        sys.stderr.write(_encodable(_lines(text), sys.stderr) + "\n")
        sys.stderr.flush()


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
    """All problems of an error, on stderr; as a JSON document on stdout if that was asked for."""
    if as_json:
        put_json(problems_document(error.problems))
    show_problems(error.problems)


def show_problems(problems: Sequence[Problem], *, count: bool = True) -> None:
    """Problems on stderr, with the options that mend them, and their number where they are several."""
    for problem in problems:
        talk(for_command_line(problem).text())
    if count and len(problems) > 1:
        talk(f"{len(problems)} problems")


def problem_records(problems: Sequence[Problem]) -> list[dict[str, object]]:
    """Problems as JSON objects, with the options that mend them."""
    return [for_command_line(problem).record() for problem in problems]


def problems_document(problems: Sequence[Problem]) -> dict[str, Any]:
    """The JSON document of `check`."""
    return {"schema_version": 1, "problems": problem_records(problems)}


def number(value: float | None, digits: int = 1) -> str:
    """A figure for a table: '-' where there is none, '-inf' for silence."""
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
    """Rows under a head; the first `left` columns to the left, the others to the right."""
    cells = [list(head), *([printable(cell) for cell in row] for row in rows)]
    widths = [max(len(row[i]) for row in cells) for i in range(len(head))]
    lines = []
    for row in cells:
        parts = [
            cell.ljust(w) if i < left else cell.rjust(w) for i, (cell, w) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(parts).rstrip())
    return "\n".join(lines)


class ProgressLine:
    """Where a render is, on stderr: one line that changes on a terminal, a line a node elsewhere."""

    def __init__(self, *, quiet: bool):
        self._live = sys.stderr is not None and sys.stderr.isatty() and not quiet
        self._quiet = quiet
        self._last = ""

    def node(self, name: str, share: float) -> None:
        """The node `name` is rendered to this share."""
        stop_if_asked()
        if self._quiet:
            return
        if self._live:
            text = f"\r{printable(name)[:24]:<24} {share:4.0%}"
            if text != self._last:
                sys.stderr.write(text)
                sys.stderr.flush()
                self._last = text
        elif share >= 1.0:
            talk(f"rendered {printable(name)}")

    def done(self) -> None:
        """Take the line away."""
        if self._live and self._last:
            sys.stderr.write("\r" + " " * 30 + "\r")
            sys.stderr.flush()
