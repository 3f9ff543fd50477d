"""Errors: a Problem says where, what was given, what is allowed, what to try; exceptions with exit codes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, fields
from difflib import get_close_matches
from pathlib import Path
from typing import Literal

from chainrun.problem_codes import Code

EXIT_DONE = 0
EXIT_FAILED = 1  # a check, an expectation or a comparison failed
EXIT_USAGE = 2
EXIT_RECIPE = 3
EXIT_AUDIO = 4
EXIT_RESOURCES = 5  # could not write, or out of resources
EXIT_DEFECT = 70
EXIT_INTERRUPTED = 130
EXIT_TERMINATED = 143

EXIT_CODES = {
    EXIT_DONE: "Done.",
    EXIT_FAILED: "Done, but a check, an expectation, a target or a comparison failed.",
    EXIT_USAGE: "The command line asks for something that does not exist, or its options exclude each other.",
    EXIT_RECIPE: "A recipe, preset, overlay or plan is not valid.",
    EXIT_AUDIO: "An audio file cannot be used.",
    EXIT_RESOURCES: "Something could not be written, or a resource is missing or used up.",
    EXIT_DEFECT: "The program has a defect.",
    EXIT_INTERRUPTED: "Interrupted from the keyboard.",
    EXIT_TERMINATED: "Terminated by a signal.",
}
"""Meaning of each exit code."""

Severity = Literal["error", "warning"]
Facts = tuple[tuple[str, str | float], ...]


@dataclass(frozen=True)
class Problem:
    """One problem, with everything a person needs to fix it."""

    message: str
    file: str | None = None
    line: int | None = None
    column: int | None = None
    key: str = ""
    given: str | None = None
    allowed: str | None = None
    hint: str | None = None
    severity: Severity = "error"
    code: Code = field(kw_only=True)
    facts: Facts = field(default=(), kw_only=True)
    """Numbers and names that a program needs to fix it; the command line turns them into options."""

    def fact(self, name: str) -> str | float | None:
        """Fact with this name, or None."""
        return dict(self.facts).get(name)

    def place(self) -> str:
        """Place as `file:line:column`, as far as known."""
        parts = [self.file or ""]
        if self.line is not None:
            parts.append(str(self.line))
            if self.column is not None:
                parts.append(str(self.column))
        return ":".join(parts) if parts != [""] else ""

    def text(self) -> str:
        """Text for the screen: `file:line:column  key.path  message; given …; allowed …`, the hint on its own line."""
        said = self.message
        if self.given is not None:
            said += f"; given {self.given}"
        if self.allowed is not None:
            said += f"; allowed {self.allowed}"
        if self.severity == "warning":
            said = f"warning: {said}"
        head = "  ".join(printable(part) for part in (self.place(), self.key, said) if part)
        return head + (f"\n    hint: {printable(self.hint)}" if self.hint else "")

    def record(self) -> dict[str, object]:
        """The problem as a JSON object, without facts."""
        return {one.name: getattr(self, one.name) for one in fields(self) if one.name != "facts"}


class ChainrunError(Exception):
    """Error that is shown to the user without a traceback. `exit_code` is the program's exit code."""

    exit_code = EXIT_DEFECT

    def __init__(self, problems: Problem | Sequence[Problem]):
        self.problems = [problems] if isinstance(problems, Problem) else list(problems)
        super().__init__("\n".join(problem.text() for problem in self.problems))

    def __reduce__(self) -> tuple[type[ChainrunError], tuple[list[Problem]]]:
        """Pickle with the problems: errors are passed between processes."""
        return type(self), (self.problems,)


class UsageError(ChainrunError):
    """The command line asks for something that does not exist, or its options exclude each other."""

    exit_code = EXIT_USAGE


class RecipeError(ChainrunError):
    """A recipe, preset or overlay is not valid."""

    exit_code = EXIT_RECIPE


class AudioError(ChainrunError):
    """An audio file cannot be used."""

    exit_code = EXIT_AUDIO


class ResourceError(ChainrunError):
    """Something could not be written, or a resource is missing or used up."""

    exit_code = EXIT_RESOURCES


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Hint `did you mean X?` with the known word most similar to `word`; None if none is similar."""
    found = get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f"did you mean {found[0]!r}?" if found else None


def reason(error: BaseException) -> str:
    """Message of an error, without the system's error number."""
    return getattr(error, "strerror", None) or str(error) or type(error).__name__


def printable(text: str) -> str:
    """Text with control characters as escapes, so that text from a file cannot control the terminal."""
    return "".join(
        character if character.isprintable() else character.encode("unicode_escape").decode("ascii")
        for character in text
    )


def shown(value: object, limit: int = 60) -> str:
    """Value as written in TOML, cut to `limit` characters, for `given`."""
    if isinstance(value, bool):
        text = "true" if value else "false"
    elif isinstance(value, str):
        text = '"' + value + '"'
    elif isinstance(value, dict):
        text = "a table" if value else "an empty table"
    elif isinstance(value, list):
        text = f"an array of {len(value)}"
    else:
        text = str(value)
    if len(text) <= limit:
        return printable(text)
    if isinstance(value, str) and "/" in value:  # the end of a path identifies it
        return printable('"…' + text[2 - limit :])
    return printable(text[: limit - 1] + "…")


def shown_path(path: Path) -> str:
    """Path relative to the working folder if it is inside it, else unchanged."""
    try:
        return str(path.relative_to(Path.cwd()))
    except (ValueError, OSError):
        return str(path)
