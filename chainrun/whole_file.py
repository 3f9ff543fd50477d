"""Files that are whole: text read where it is plain and of a bearable size; anything written beside its place first."""

from __future__ import annotations

import errno
import hashlib
import os
import re
import shutil
import socket
import stat
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import cache
from glob import escape
from itertools import count
from pathlib import Path

from chainrun.errors import Problem, ResourceError, UsageError, reason, shown_path
from chainrun.limits import Limits
from chainrun.problem_codes import Code


def read_text(path: Path, limits: Limits | None = None) -> str:
    """The text of a file in UTF-8, without a mark at its begin.

    Raises OSError for what is not there, no plain file (a pipe would never end), or too large; UnicodeDecodeError.
    """
    state = path.stat()
    if not stat.S_ISREG(state.st_mode):
        raise OSError(errno.EINVAL, "this is not a plain file")
    over = (limits or Limits.of(())).exceeded("toml_kb", state.st_size / 1000, "the file")
    if over is not None:
        raise OSError(errno.EFBIG, f"{over.message}; given {over.given}; allowed {over.allowed}; {over.hint}")
    return path.read_text(encoding="utf-8-sig")


def refuse_others(path: Path, what: str, is_ours: Callable[[bytes], bool]) -> None:
    """Raise UsageError where a file at `path` is somebody's: no plain file, or its begin is not that of `what`.

    Every option that names a file to write goes through here, so that a slip of the tongue costs no recording.
    """
    try:
        state = path.stat()
    except FileNotFoundError:
        return
    except OSError as error:
        raise UsageError(
            Problem(f"{what} cannot be written there ({reason(error)})", given=shown_path(path), code=Code.CANNOT_WRITE)
        ) from error
    begin = b""
    if stat.S_ISREG(state.st_mode):
        try:
            with path.open("rb") as file:
                begin = file.read(4096)
        except OSError:
            begin = b"?"
        if not begin or is_ours(begin):
            return
    raise UsageError(
        Problem(
            f"there is such a file already, and it is not {what}",
            given=shown_path(path),
            hint="give another name, or move that file away",
            code=Code.FILE_EXISTS,
        )
    )


def write_whole(path: Path, text: str, what: str = "the file") -> None:
    """Write `text` to a file, making its folder where needed. Raises ResourceError, and leaves nothing half-written."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with beside(path) as part:
            part.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise ResourceError(
            Problem(f"{what} could not be written ({error.strerror})", file=shown_path(path), code=Code.CANNOT_WRITE)
        ) from error


@contextmanager
def beside(path: Path) -> Iterator[Path]:
    """A place beside `path` to write to: synced and renamed to it at the end, taken away on an error.

    What a process of this machine that was killed has left here goes, too. Raises OSError.
    """
    drop_dead(path)
    part = begin_part(path)
    try:
        yield part
        put_in_place(part, path)
    finally:
        drop_part(part)


_begun: set[Path] = set()


def begin_part(path: Path) -> Path:
    """Where to write before a file gets its name; kept in mind until `drop_part`, whatever signal comes in between."""
    part = part_of(path)
    _begun.add(part)
    return part


def drop_part(part: Path) -> None:
    """Take away a part that did not get its name, if it is there."""
    with suppress(OSError):
        part.unlink(missing_ok=True)
    _begun.discard(part)


def drop_all_parts() -> None:
    """Take away all that is half-written: for a program that a signal has stopped, at whatever moment."""
    for part in list(_begun):
        drop_part(part)


_numbers = count(1)
"""One for each part of this process: its threads may write files of one name at once."""


def part_of(path: Path) -> Path:
    """Where to write before a file gets its name: a place of its own for each process, and for each time."""
    return path.with_name(f".{path.name}.{this_machine()}-{os.getpid()}.{next(_numbers)}.part")


def named_by(part: Path) -> Path:
    """The file that a part would have become."""
    return part.with_name(re.sub(r"^\.(.*)\.[0-9a-f]+-\d+(\.\d+)?\.part$", r"\1", part.name))


def put_in_place(part: Path, path: Path) -> None:
    """Sync a written file, give it its name, and sync the folder. Raises OSError."""
    with part.open("r+b") as file:
        os.fsync(file.fileno())
    os.replace(part, path)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Have a folder's entries on the disk. Raises OSError."""
    opened = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)


def drop_dead(path: Path) -> None:
    """Take away what processes of this machine that were killed had begun to write for this place."""
    for part in path.parent.glob(f".{escape(path.name)}.{this_machine()}-*.part"):
        pid = part.name.split("-")[-1].partition(".")[0]
        if pid.isdigit() and not is_alive(int(pid)):
            with suppress(OSError):
                part.unlink(missing_ok=True)


@contextmanager
def work_folder(what: str, parent: Path | None = None) -> Iterator[Path]:
    """A folder for as long as it is needed, in the system's place for such things or in `parent`. Raises OSError."""
    import tempfile

    prefix = folder_prefix(what, parent)
    with tempfile.TemporaryDirectory(prefix=prefix, dir=parent, ignore_cleanup_errors=True) as folder:
        yield Path(folder)


def folder_prefix(what: str, parent: Path | None = None) -> str:
    """How this process's folders for some work are called; those of killed processes of this machine are taken away."""
    import tempfile

    dead = f"{what}-{this_machine()}-"
    for old in (parent or Path(tempfile.gettempdir())).glob(f"{escape(dead)}*"):
        pid = old.name.removeprefix(dead).partition("-")[0]
        if pid.isdigit() and not is_alive(int(pid)):
            shutil.rmtree(old, ignore_errors=True)
    return f"{dead}{os.getpid()}-"


def is_alive(pid: int) -> bool:
    """Whether a process of this machine runs."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except (OverflowError, PermissionError):
        return True
    return True


@cache
def this_machine() -> str:
    """This machine, in six letters: on a shared file system other machines' processes have numbers of their own."""
    return hashlib.sha256(socket.gethostname().encode()).hexdigest()[:6]


Stamp = tuple[int, int, int, int, int]
"""Device, inode, size, and the times of content and of inode."""


def stamp(path: Path) -> Stamp:
    """What changes when a file's content does: device, inode, size, and the times of content and of inode."""
    found = path.stat()
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns


def safely_resolved(path: Path) -> Path:
    """The path with links and .. resolved, or as it is where that cannot be."""
    try:
        return path.resolve()
    except (OSError, ValueError, RuntimeError):
        return path
