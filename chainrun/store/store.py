"""Store: prints in a folder, each named by the hash of everything that determines its sound.

    prints/ab/abcdef…      finished prints; the time of last use is the file's modification time
    hashes/ab/abcdef…      content hashes of stems, named by the file's path, device, inode, size and both times
    renders/abcdef…        the day on which a recipe was last delivered, named by the hash of its path and variant
    runs/RUN               prints that a running render uses; locked while it runs, so that a dead run can be recognised
    parts/RUN.…            prints being written
    lock                   held while a run is registered, and while prints are dropped

Locks are advisory (flock) and end with the process, so nothing has to be cleared after a kill. Two renders that make
the same print both write it, and either rename leaves the same bytes.
"""

from __future__ import annotations

import datetime
import fcntl
import hashlib
import json
import os
import secrets
import shutil
import stat
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from chainrun.audiofile.read import hash_content
from chainrun.errors import Problem, ResourceError
from chainrun.problem_codes import Code
from chainrun.store.prints import Footer, Print, audio_is_whole, read_footer
from chainrun.whole_file import drop_dead, named_by, stamp, sync_folder, write_whole

GB = 1_000_000_000
DEFAULT_LIMIT_GB = 20.0
FRESH_S = 2.0
"""The hash of a file changed less than this ago is not kept: the file may change again within one clock tick."""


MAX_NOTE_DAYS = {"hashes": 90, "faces": 400, "shares": 400}
"""Maximum age of the small files beside the prints: a stem's hash is cheap; a cull's measurements serve next year's."""


@dataclass(frozen=True)
class Kept:
    """File in the store: a print, or a note of a stem's hash."""

    identity: str
    path: Path
    n_bytes: int
    used: float
    """Time of last use, in seconds since 1970."""


def default_folder() -> Path | None:
    """Default folder of the store: CHAINRUN_STORE, else the XDG cache folder; None if there is no home folder."""
    named = os.environ.get("CHAINRUN_STORE")
    if named:
        return Path(named)
    cache = os.environ.get("XDG_CACHE_HOME")
    if cache and Path(cache).is_absolute():
        return Path(cache) / "chainrun"
    try:
        home = Path.home()
    except RuntimeError:
        return None
    return home / ".cache" / "chainrun" if home.is_absolute() and home != Path("/") else None


@dataclass(frozen=True)
class StoreCheck:
    """Result of a check of the store."""

    dropped: tuple[Kept, ...]
    """Damaged prints and notes, which were deleted."""
    unread: tuple[Problem, ...]
    """Problems of files that could not be read; these stay."""


def hasher(folder: Path | None) -> Callable[[Path], str]:
    """Function that hashes a file's content; with a store `folder`, kept hashes of unchanged files are used."""
    return Store(folder).hash_file if folder is not None else hash_content


def limit_gb() -> float:
    """Size limit of the store in GB: CHAINRUN_STORE_GB, default 20. Raises ResourceError for an invalid value."""
    text = os.environ.get("CHAINRUN_STORE_GB")
    if not text:
        return DEFAULT_LIMIT_GB
    with suppress(ValueError):
        value = float(text)
        if 0 <= value < 1e9:
            return value
    raise ResourceError(
        Problem(
            "CHAINRUN_STORE_GB is not a number of gigabytes",
            given=f'"{text}"',
            allowed="0 or more",
            code=Code.BAD_ENVIRONMENT,
        )
    )


class Store:
    """Store of prints in a folder. Raises ResourceError for a folder that cannot be written to."""

    def __init__(self, folder: Path):
        self.folder = folder
        try:
            for name in ("prints", "hashes", "runs", "parts"):
                (folder / name).mkdir(parents=True, exist_ok=True)
            (folder / "lock").touch()
        except OSError as error:
            raise ResourceError(
                Problem(
                    f"the store cannot be written to ({error.strerror})",
                    file=str(folder),
                    hint="choose another folder for the store, or render without one",
                    code=Code.STORE_NOT_WRITABLE,
                )
            ) from error

    # -- prints --------------------------------------------------------------------------------------------

    def path_of(self, identity: str) -> Path:
        """Path of the print with this hash, whether it exists or not."""
        return self.folder / "prints" / identity[:2] / identity

    def footer(self, identity: str) -> Footer | None:
        """Footer of the print with this hash, or None if it cannot be read. The audio is not checked."""
        try:
            return _footer_of(self.path_of(identity), identity)
        except OSError:
            return None

    def verified(self, identity: str) -> Print | None:
        """Print with this hash if its audio has the right checksum; a damaged one is deleted, and None returned.

        If the file cannot be read now (no permission, too many open files), None is returned, and it stays.
        """
        path = self.path_of(identity)
        try:
            if not path.exists():
                return None
            footer = _footer_of(path, identity)
            whole = footer is not None and audio_is_whole(path, footer)
        except OSError:
            return None
        if footer is not None and whole:
            with suppress(OSError):
                os.utime(path)
            return footer.print_at(path)
        with suppress(OSError):
            path.unlink(missing_ok=True)
        return None

    def touch(self, identities: Iterable[str], at: float | None = None) -> None:
        """Mark prints as used now, or at the time `at` in seconds since 1970."""
        for identity in identities:
            with suppress(OSError):
                os.utime(self.path_of(identity), None if at is None else (at, at))

    def publish(self, part: Path, identity: str) -> Path:
        """Move a finished and synced part to its place; returns the path. Raises ResourceError if that fails."""
        path = self.path_of(identity)
        try:
            path.parent.mkdir(exist_ok=True)
            os.replace(part, path)
            sync_folder(path.parent)
        except OSError as error:
            message = f"a print could not be kept ({error.strerror})"
            raise ResourceError(Problem(message, file=str(path), code=Code.PRINT_NOT_KEPT)) from error
        return path

    # -- stems ---------------------------------------------------------------------------------------------

    def hash_file(self, path: Path) -> str:
        """SHA-256 of a file's content; read again only if one of its times, its size or its inode changed."""
        try:
            before = stamp(path)
        except OSError:
            return hash_content(path)  # raises the error that says what is wrong
        key = hashlib.sha256(repr((str(path), before)).encode()).hexdigest()
        place = self.folder / "hashes" / key[:2] / key
        kept = _read_note(place)
        if kept is not None:
            return kept
        found = hash_content(path)
        with suppress(OSError, ResourceError):
            newest = max(before[3], before[4]) / 1e9
            if stamp(path) == before and time.time() - newest > FRESH_S:
                write_whole(place, _note_text(place.name, found))
        return found

    # -- runs ----------------------------------------------------------------------------------------------

    @contextmanager
    def run(self, identities: Iterable[str]) -> Iterator[str]:
        """Protect these prints from pruning during a render. Yields the run's name."""
        name = f"{os.getpid()}-{secrets.token_hex(6)}"
        place = self.folder / "runs" / name
        with self._locked(fcntl.LOCK_SH):
            file = place.open("w")
            fcntl.flock(file, fcntl.LOCK_EX)
            file.write(json.dumps(sorted(identities)))
            file.flush()
        try:
            yield name
        finally:
            place.unlink(missing_ok=True)
            file.close()
            self._drop_parts(name)

    def part_of(self, run: str, identity: str) -> Path:
        """Path to write a print to before it is published."""
        return self.folder / "parts" / f"{run}.{identity[:16]}.{secrets.token_hex(3)}"

    def parts(self) -> list[Path]:
        """Unfinished prints: those being written, and the remains of killed renders."""
        return sorted(path for path in self.folder.glob("parts/*") if _is_plain(path))

    def clean(self) -> int:
        """Delete unfinished files of killed renders. Returns the number of unfinished prints deleted."""
        with self._locked(fcntl.LOCK_EX):
            before = len(self.parts())
            self._in_use()
            alive = {place.name for place in self.folder.glob("runs/*")}
            for part in self.parts():
                if part.name.partition(".")[0] not in alive:
                    part.unlink(missing_ok=True)
            for folder in ("hashes", "renders"):
                for part in self.folder.glob(f"{folder}/**/.*.part"):
                    drop_dead(named_by(part))
            return before - len(self.parts())

    def _drop_parts(self, run: str) -> None:
        for part in self.folder.glob(f"parts/{run}.*"):
            part.unlink(missing_ok=True)

    def _in_use(self) -> set[str]:
        """Hashes that running renders use; files of dead runs are deleted."""
        found: set[str] = set()
        for place in self.folder.glob("runs/*"):
            try:
                with place.open() as file:
                    try:
                        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                    except OSError:
                        found.update(json.loads(file.read() or "[]"))
                        continue
                    place.unlink(missing_ok=True)
                    self._drop_parts(place.name)
            except FileNotFoundError:
                continue
        return found

    @contextmanager
    def _locked(self, how: int) -> Iterator[None]:
        with (self.folder / "lock").open("a") as file:
            fcntl.flock(file, how)
            yield

    # -- housekeeping --------------------------------------------------------------------------------------

    def kept(self) -> list[Kept]:
        """List all prints, least recently used first."""
        found = []
        for path in self.folder.glob("prints/??/*"):
            with suppress(FileNotFoundError):
                state = path.lstat()
                found.append(Kept(path.name, path, state.st_size, state.st_mtime))
        return sorted(found, key=lambda one: (one.used, one.identity))

    def note_render(self, recipe: Path, variant: str | None) -> None:
        """Record that a recipe's mix was delivered today."""
        path = self._render_note(recipe, variant)
        with suppress(ResourceError):
            write_whole(path, datetime.date.today().isoformat())

    def last_render(self, recipe: Path, variant: str | None) -> str | None:
        """Day (YYYY-MM-DD) on which a recipe was last delivered with this store; None if it never was."""
        try:
            return self._render_note(recipe, variant).read_text(encoding="utf-8").strip()
        except OSError:
            return None

    def _render_note(self, recipe: Path, variant: str | None) -> Path:
        name = hashlib.sha256(f"{recipe.resolve()} {variant or ''}".encode("utf-8", "surrogateescape")).hexdigest()[:32]
        return self.folder / "renders" / name

    def prune(self, *, keep_gb: float | None = None, older_than_days: float | None = None) -> list[Kept]:
        """Drop prints unused for `older_than_days`, then the least recently used until the rest fits into `keep_gb`.

        Prints that a running render uses stay. Returns the dropped ones.
        """
        with self._locked(fcntl.LOCK_EX):
            in_use = self._in_use()
            kept = self.kept()
            total = sum(one.n_bytes for one in kept)
            dropped = []
            for one in kept:
                old = older_than_days is not None and time.time() - one.used > older_than_days * 86400
                over = keep_gb is not None and total > keep_gb * GB
                if one.identity not in in_use and (old or over):
                    one.path.unlink(missing_ok=True)
                    total -= one.n_bytes
                    dropped.append(one)
            self._drop_old_notes()
            return dropped

    def _drop_old_notes(self) -> None:
        for folder, days in MAX_NOTE_DAYS.items():
            for path in self.folder.glob(f"{folder}/**/*"):
                with suppress(FileNotFoundError):
                    if path.is_file() and time.time() - path.stat().st_mtime > days * 86400:
                        path.unlink()

    def check(self) -> StoreCheck:
        """Check every print and every note of a stem's hash against its checksum, and delete damaged ones.

        Anything but a plain file is deleted unread: a pipe would never end. Files that cannot be read stay, and are
        reported.
        """
        bad: list[Kept] = []
        unread: list[Problem] = []
        for one, what, is_whole in (*self._prints_to_check(), *self._notes_to_check()):
            try:
                if not is_whole():
                    bad.append(one)
            except FileNotFoundError:
                continue
            except OSError as error:
                message = f"{what} cannot be read ({error.strerror})"
                unread.append(Problem(message, file=str(one.path), code=Code.CANNOT_READ))
        for one in bad:
            with suppress(OSError):
                if one.path.is_dir() and not one.path.is_symlink():
                    shutil.rmtree(one.path)
                else:
                    one.path.unlink(missing_ok=True)
        self.clean()
        return StoreCheck(tuple(bad), tuple(unread))

    def _prints_to_check(self) -> Iterator[tuple[Kept, str, Callable[[], bool]]]:
        """Each print, its kind in words, and a function that says whether it is undamaged."""
        for one in self.kept():
            yield one, "the print", partial(_print_is_whole, one)

    def _notes_to_check(self) -> Iterator[tuple[Kept, str, Callable[[], bool]]]:
        """Each note of a stem's hash, its kind in words, and a function that says whether it is undamaged."""
        for path in self.folder.glob("hashes/??/*"):
            with suppress(FileNotFoundError):
                state = path.lstat()
                if not stat.S_ISDIR(state.st_mode) and not path.name.startswith("."):
                    one = Kept(f"hash of a stem {path.name[:12]}", path, state.st_size, state.st_mtime)
                    yield one, "the hash of a stem", partial(_note_is_whole, path)


def _print_is_whole(one: Kept) -> bool:
    footer = _footer_of(one.path, one.identity)
    return footer is not None and audio_is_whole(one.path, footer)


def _note_is_whole(path: Path) -> bool:
    return _is_plain(path) and _hash_in(path) is not None


def _is_plain(path: Path) -> bool:
    """Whether this is a plain file, neither a link nor a pipe. Raises OSError if that cannot be determined."""
    try:
        return stat.S_ISREG(path.lstat().st_mode)
    except FileNotFoundError:
        return False


def _footer_of(path: Path, identity: str) -> Footer | None:
    """Footer of a print if the file really is the print with this hash, else None. Raises OSError."""
    footer = read_footer(path) if _is_plain(path) else None
    if footer is None or footer.identity != identity:
        return None
    return footer


def _note_text(key: str, content: str) -> str:
    """Text of a note: a stem's hash, and a checksum over the note's name and the hash."""
    return f"{content} {hashlib.sha256(f'{key} {content}'.encode()).hexdigest()[:16]}\n"


def _read_note(place: Path) -> str | None:
    """Hash in a note; None if there is no readable one. A damaged note is deleted."""
    try:
        if not _is_plain(place):
            return None
        found = _hash_in(place)
    except OSError:
        return None
    if found is None:
        with suppress(OSError):
            place.unlink(missing_ok=True)
    return found


def _hash_in(place: Path) -> str | None:
    """Hash in a note, or None if the note is damaged. Raises OSError if it cannot be read."""
    text = place.read_bytes().decode("ascii", "replace")
    return text[:64] if text == _note_text(place.name, text[:64]) else None
