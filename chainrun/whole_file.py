"""Text files: read where they are plain and of a bearable size; written whole or not at all."""

from __future__ import annotations

import errno
import os
import stat
from contextlib import suppress
from glob import escape
from pathlib import Path

from chainrun.errors import Problem, ResourceError, shown_path
from chainrun.limits import Limits


def read_text(path: Path, limits: Limits | None = None) -> str:
    """The text of a file in UTF-8, without a mark at its begin.

    Raises OSError for what is not there, no plain file (a pipe would never end), or too large; UnicodeDecodeError.
    """
    state = path.stat()
    if not stat.S_ISREG(state.st_mode):
        raise OSError(errno.EINVAL, "this is not a plain file")
    over = (limits or Limits.of(())).passed("toml_kb", state.st_size / 1000, "the file")
    if over is not None:
        raise OSError(errno.EFBIG, f"{over.message}; given {over.given}; allowed {over.allowed}; {over.hint}")
    return path.read_text(encoding="utf-8-sig")


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
