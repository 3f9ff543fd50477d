"""Writes a text file that is whole or not there: beside its place, synced, then renamed."""

from __future__ import annotations

import os
from contextlib import suppress
from glob import escape
from pathlib import Path

from chainrun.errors import Problem, ResourceError, shown_path


def write_whole(path: Path, text: str) -> None:
    """Write `text` to a file, making its folder where needed. Raises ResourceError, and leaves nothing half-written."""
    part = path.parent / f".{path.name}.{os.getpid()}.part"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        _drop_dead(path)
        with part.open("w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, path)
    except OSError as error:
        raise ResourceError(
            Problem(f"the file could not be written ({error.strerror})", file=shown_path(path))
        ) from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def _drop_dead(path: Path) -> None:
    """Take away what a process that was killed had begun to write here."""
    for part in path.parent.glob(f".{escape(path.name)}.*.part"):
        pid = part.name.split(".")[-2]
        if pid.isdigit() and Path("/proc/self").exists() and not Path(f"/proc/{pid}").exists():
            part.unlink(missing_ok=True)
