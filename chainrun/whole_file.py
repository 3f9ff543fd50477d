"""Reads plain text files up to a size limit; writes files via temporary ones, so that each is whole or absent."""

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
    """Text of a file in UTF-8, without a byte order mark.

    Raises OSError for a file that does not exist, is not a plain file (a pipe would never end) or is too large;
    UnicodeDecodeError for one that is not UTF-8.
    """
    state = path.stat()
    if not stat.S_ISREG(state.st_mode):
        raise OSError(errno.EINVAL, "this is not a plain file")
    over = (limits or Limits.of(())).exceeded("toml_kb", state.st_size / 1000, "the file")
    if over is not None:
        raise OSError(errno.EFBIG, f"{over.message}; given {over.given}; allowed {over.allowed}; {over.hint}")
    return path.read_text(encoding="utf-8-sig")


def refuse_others(path: Path, what: str, is_ours: Callable[[bytes], bool]) -> None:
    """Raise UsageError if `path` is not a plain file, or is a file that does not begin like `what`.

    Every option that names a file to write is checked here, so that a typing error cannot overwrite a recording.
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
            f"the file exists already, and is not {what}",
            given=shown_path(path),
            hint="give another name, or move that file away",
            code=Code.FILE_EXISTS,
        )
    )


def write_whole(path: Path, text: str, what: str = "the file") -> None:
    """Write `text` to a file, with its folder if needed. On failure raises ResourceError and leaves no partial file."""
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
    """Temporary file next to `path` to write to: synced and renamed at the end, deleted on an error.

    Also deletes temporary files for `path` of killed processes of this machine. Raises OSError.
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
    """Temporary path for a file, remembered until `drop_part`: `drop_all_parts` deletes it after a signal."""
    part = part_of(path)
    _begun.add(part)
    return part


def drop_part(part: Path) -> None:
    """Delete a temporary file that was not renamed, if it exists."""
    with suppress(OSError):
        part.unlink(missing_ok=True)
    _begun.discard(part)


def drop_all_parts() -> None:
    """Delete all temporary files of this process, after a signal has stopped the program."""
    for part in list(_begun):
        drop_part(part)


_numbers = count(1)
"""Numbers for the temporary files of this process: its threads may write the same file at once."""


def part_of(path: Path) -> Path:
    """Temporary path for a file, different for each process and each call."""
    return path.with_name(f".{path.name}.{this_machine()}-{os.getpid()}.{next(_numbers)}.part")


def named_by(part: Path) -> Path:
    """Final path of a temporary file."""
    return part.with_name(re.sub(r"^\.(.*)\.[0-9a-f]+-\d+(\.\d+)?\.part$", r"\1", part.name))


def put_in_place(part: Path, path: Path) -> None:
    """Sync a written file, give it its name, and sync the folder. Raises OSError."""
    with part.open("r+b") as file:
        os.fsync(file.fileno())
    os.replace(part, path)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Sync a folder's entries to the disk. Raises OSError."""
    opened = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)


def drop_dead(path: Path) -> None:
    """Delete temporary files for `path` of killed processes of this machine."""
    for part in path.parent.glob(f".{escape(path.name)}.{this_machine()}-*.part"):
        pid = part.name.split("-")[-1].partition(".")[0]
        if pid.isdigit() and not is_alive(int(pid)):
            with suppress(OSError):
                part.unlink(missing_ok=True)


@contextmanager
def work_folder(what: str, parent: Path | None = None) -> Iterator[Path]:
    """Temporary folder for the time of a block, in the system's temporary folder or in `parent`. Raises OSError."""
    import tempfile

    prefix = folder_prefix(what, parent)
    with tempfile.TemporaryDirectory(prefix=prefix, dir=parent, ignore_cleanup_errors=True) as folder:
        yield Path(folder)


def folder_prefix(what: str, parent: Path | None = None) -> str:
    """Name prefix of this process's temporary folders; deletes those of killed processes of this machine."""
    import tempfile

    dead = f"{what}-{this_machine()}-"
    for old in (parent or Path(tempfile.gettempdir())).glob(f"{escape(dead)}*"):
        pid = old.name.removeprefix(dead).partition("-")[0]
        if pid.isdigit() and not is_alive(int(pid)):
            shutil.rmtree(old, ignore_errors=True)
    return f"{dead}{os.getpid()}-"


def is_alive(pid: int) -> bool:
    """Whether a process of this machine is running."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except (OverflowError, PermissionError):
        return True
    return True


@cache
def this_machine() -> str:
    """Six hexadecimal digits for this machine: on a shared file system process numbers of other machines differ."""
    return hashlib.sha256(socket.gethostname().encode()).hexdigest()[:6]


Stamp = tuple[int, int, int, int, int]
"""Device, inode, size, and the times of the last changes of content and inode."""


def stamp(path: Path) -> Stamp:
    """Stamp of a file, which changes when its content does. Raises OSError."""
    found = path.stat()
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns


def safely_resolved(path: Path) -> Path:
    """Path with links and .. resolved, or unchanged if that fails."""
    try:
        return path.resolve()
    except (OSError, ValueError, RuntimeError):
        return path
