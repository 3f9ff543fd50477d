"""Wraps the functions for programs: checks file names, and turns system errors into ChainrunErrors."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from functools import wraps
from pathlib import Path
from typing import ParamSpec, TypeVar

from chainrun.errors import Problem, ResourceError, UsageError, reason, shown
from chainrun.problem_codes import Code

Name = Path | str
Arguments = ParamSpec("Arguments")
Result = TypeVar("Result")


def guarded(function: Callable[Arguments, Result]) -> Callable[Arguments, Result]:
    """Wrap a function: system errors become ResourceErrors, names with zero bytes raise UsageError."""

    @wraps(function)
    def call(*arguments: Arguments.args, **named: Arguments.kwargs) -> Result:
        for one in (*arguments, *named.values()):
            if isinstance(one, str | Path) and "\0" in str(one):
                given = shown(str(one))
                raise UsageError(
                    Problem("a file name cannot contain a zero byte", given=given, code=Code.UNUSABLE_PATH)
                )
        try:
            return function(*arguments, **named)
        except OSError as error:
            file = os.fsdecode(error.filename) if isinstance(error.filename, str | bytes) else None
            message = f"a file could not be written or read ({reason(error)})"
            raise ResourceError(Problem(message, file=file, code=Code.READING_OR_WRITING_FAILED)) from error

    return call


def several(names: Sequence[Name] | Name) -> tuple[Name, ...]:
    """Names as a tuple, given as a sequence or as a single name."""
    return (names,) if isinstance(names, str | Path) else tuple(names)


def path_or_none(name: Name | None) -> Path | None:
    """A name as a path; None for None."""
    return Path(name) if name is not None else None
