"""Report of a defect of the program: a file that can be sent to strangers, and one line for the user.

Neither contains the error's message, which may have names, paths and values of the user.
"""

from __future__ import annotations

import os
import platform
import re
import sys
import sysconfig
import tempfile
import traceback
from collections.abc import Iterator, Sequence
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from chainrun import __version__

PACKAGE = Path(__file__).resolve().parent
LIBRARIES = ("numpy", "scipy", "soundfile", "pydantic", "typer")


def wants_traceback() -> bool:
    """Whether the user wants the whole traceback (CHAINRUN_TRACEBACK) instead of a report."""
    return bool(os.environ.get("CHAINRUN_TRACEBACK"))


def report_defect(error: BaseException, arguments: Sequence[str]) -> str:
    """Write the details of a defect to a file in the temporary folder; returns one line for the user.

    Of the command's `arguments` only the command and the names of options are written.
    """
    frames = traceback.extract_tb(error.__traceback__)
    where = f" at {_place(frames[-1].filename)}:{frames[-1].lineno}" if frames else ""
    line = f"chainrun has a defect: {type(error).__name__}{where}"
    try:
        handle, name = tempfile.mkstemp(prefix="chainrun-defect-", suffix=".txt")
        with os.fdopen(handle, "w", encoding="utf-8", errors="replace") as file:
            file.write("\n".join(_details(error, arguments)) + "\n")
    except OSError:
        return f"{line}; the details could not be written; CHAINRUN_TRACEBACK=1 shows them"
    return f"{line}; details (without your file names): {name}"


def _details(error: BaseException, arguments: Sequence[str]) -> Iterator[str]:
    yield "A defect of chainrun. The error's message is left out: it may contain your file names."
    yield f"chainrun {__version__}, Python {platform.python_version()}, {sys.platform} {platform.machine()}"
    for name in LIBRARIES:
        try:
            yield f"{name} {version(name)}"
        except PackageNotFoundError:
            yield f"{name} is not installed"
    yield "command: " + " ".join(_command(arguments))
    seen: set[int] = set()
    one: BaseException | None = error
    while one is not None and id(one) not in seen:
        seen.add(id(one))
        yield f"{type(one).__module__}.{type(one).__qualname__}"
        for frame in traceback.extract_tb(one.__traceback__):
            yield f"  {_place(frame.filename)}:{frame.lineno} in {frame.name}"
        one = one.__cause__ or one.__context__


def _command(arguments: Sequence[str]) -> Iterator[str]:
    """Command and names of options, without their values."""
    for i, one in enumerate(arguments):
        if one.startswith("-"):
            yield one.partition("=")[0] if one.startswith("--") else one[:2]
        else:
            yield one if i == 0 and re.fullmatch(r"[a-z]{1,16}", one) else "…"


def _place(file: str) -> str:
    """Path of a source file inside its package, without any folder of the user."""
    path = Path(file)
    for base, name in ((PACKAGE, "chainrun"), *((Path(p), "") for p in sysconfig.get_paths().values())):
        try:
            return (Path(name) / path.relative_to(base)).as_posix()
        except ValueError:
            continue
    return path.name
