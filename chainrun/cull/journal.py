"""A cull's files about itself: the journal of a run in progress, the record for undo, marks and locks."""

from __future__ import annotations

import fcntl
import json
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from chainrun.cull.operations import Operation, RetirePreset, WriteFile, operation_of, text_of
from chainrun.cull.plan import CullPlan, seen_from
from chainrun.errors import Problem, ResourceError, reason, shown_path
from chainrun.limits import Limits
from chainrun.problem_codes import Code
from chainrun.whole_file import read_text, write_whole

MAX_SIZE = Limits(toml_kb=64_000)
"""Maximum size of a journal or record, which hold every preset's text twice."""
JOURNAL = ".cull-journal.json"
MARK = ".cull-in-progress"
VERSION = 1
FIELDS = ("direction", "operations", "earlier", "libraries", "plan_hash", "record")


def journal_of(plan_path: Path) -> Path:
    """Path of the journal of a plan's cull in progress."""
    return plan_path.parent / f".{plan_path.name}{JOURNAL}"


def undo_of(plan_path: Path) -> Path:
    """Path of the record from which a cull is undone."""
    return plan_path.parent / f"{plan_path.name.removesuffix('.toml')}.undo.json"


@contextmanager
def alone(*paths: Path) -> Iterator[None]:
    """Lock plans or libraries against other culls. Raises ResourceError if another cull is running there."""
    opened: list[int] = []
    try:
        for path in paths:
            try:
                opened.append(os.open(path, os.O_RDONLY | os.O_NONBLOCK))
                fcntl.flock(opened[-1], fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as error:
                what = "in this library" if path.is_dir() else "of this plan"
                message = f"another cull {what} is running"
                raise ResourceError(
                    Problem(message, file=shown_path(path), hint="wait until it has finished", code=Code.CULL_AT_WORK)
                ) from error
            except OSError as error:
                message = f"the file or folder cannot be opened ({error.strerror})"
                raise ResourceError(Problem(message, file=shown_path(path), code=Code.CANNOT_READ)) from error
        yield
    finally:
        for one in opened:
            os.close(one)


def marks(plan_path: Path, libraries: Sequence[str]) -> list[Path]:
    """Paths of the marks that a cull in progress puts into its libraries."""
    return [plan_path.parent / one / MARK for one in libraries]


def refuse_unfinished(plan: CullPlan) -> None:
    """Raise ResourceError if a cull by another plan was interrupted in one of the libraries."""
    for folder in plan.folders:
        try:
            text = (folder / MARK).read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError):
            continue
        if "\0" in text or not text.strip():
            continue
        other = (folder / text).resolve()
        if other != plan.path.resolve() and journal_of(other).exists():
            raise ResourceError(
                Problem(
                    "a cull by another plan was interrupted in this library",
                    file=shown_path(folder),
                    given=shown_path(other),
                    hint=f"finish it with chainrun cull apply {shown_path(other)}, or undo it with cull undo"
                    + ("" if other.exists() else "; give the plan this name again first"),
                    code=Code.CULL_INTERRUPTED,
                )
            )


@dataclass(frozen=True)
class Record:
    """The operations of a cull, kept for its undo."""

    operations: tuple[Operation, ...] = ()
    libraries: tuple[str, ...] = ()
    """Folders of its libraries, relative to the plan."""

    def text(self) -> str:
        """The JSON document of the file."""
        done = [one.record() for one in self.operations]
        return json.dumps({"grammar": VERSION, "libraries": list(self.libraries), "operations": done}, indent=1)


@dataclass(frozen=True)
class Journal:
    """The operations of a run in progress: written before the first change, removed after the last."""

    direction: Literal["apply", "undo"]
    operations: tuple[Operation, ...]
    earlier: tuple[Operation, ...]
    """Operations of an earlier `apply` of the same plan; they stay on record."""
    libraries: tuple[str, ...]
    """Folders of its libraries, relative to the plan."""
    plan_hash: str = ""
    """Hash of the plan's text at the start of the run."""
    record: str = ""
    """For an undo: the text of the record, to restore it if the undo fails."""

    def text(self) -> str:
        """The JSON document of the file."""
        document = {
            "grammar": VERSION,
            "direction": self.direction,
            "operations": [one.record() for one in self.operations],
            "earlier": [one.record() for one in self.earlier],
            "libraries": list(self.libraries),
            "plan_hash": self.plan_hash,
            "record": self.record,
        }
        return json.dumps(document, indent=1)

    def write(self, plan_path: Path) -> None:
        """Write the journal, and a mark into each library for other plans to see. Raises ResourceError."""
        made = marks(plan_path, self.libraries)
        try:
            for mark in made:
                write_whole(mark, seen_from(mark.parent.resolve(), plan_path.resolve()))
            write_whole(journal_of(plan_path), self.text())
        except ResourceError:
            for mark in made:
                remove(mark)
            raise


def begun(plan_path: Path) -> Journal | None:
    """The journal of a run that was killed, if there is one. Raises ResourceError for a damaged journal."""
    path = journal_of(plan_path)
    if not path.exists():
        return None
    try:
        document = json.loads(read_text(path, MAX_SIZE))
        direction, operations, earlier, libraries, plan_hash, record = (document[key] for key in FIELDS)
        if direction not in ("apply", "undo") or not all(isinstance(one, str) for one in (plan_hash, record)):
            raise ValueError("a field has a wrong value")
        known = _read(plan_path, operations + earlier, libraries)
        split = len(operations)
        return Journal(
            direction, known.operations[:split], known.operations[split:], known.libraries, plan_hash, record
        )
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        message = f"the journal is damaged ({reason(error)})"
        raise ResourceError(Problem(message, file=shown_path(path), code=Code.CULL_RECORD_DAMAGED)) from error


def recorded(plan_path: Path) -> Record:
    """The record of a plan's cull; empty if there is none. Raises ResourceError for a damaged record."""
    path = undo_of(plan_path)
    if not path.exists():
        return Record()
    try:
        document = json.loads(read_text(path, MAX_SIZE))
        return _read(plan_path, document["operations"], document.get("libraries", []))
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        message = f"the record is damaged ({reason(error)})"
        raise ResourceError(Problem(message, file=shown_path(path), code=Code.CULL_RECORD_DAMAGED)) from error


def _read(plan_path: Path, operations: Any, libraries: Any) -> Record:
    """Read operations and libraries from a JSON document, which may be a stranger's.

    Raises TypeError if they are incomplete, ValueError if they would write anything else than presets and files beside
    the plan.
    """
    if not isinstance(operations, list) or not isinstance(libraries, list):
        raise TypeError("operations and libraries must be lists")
    if not all(isinstance(one, str) for one in libraries):
        raise TypeError("an operation is incomplete")
    found = tuple(operation_of(one) for one in operations)
    beside = plan_path.parent.resolve()
    shelves = [(beside / one).resolve() for one in libraries]
    for one in found:
        for named in (one.file, one.target) if isinstance(one, RetirePreset) else (one.file,):
            path = (plan_path.parent / named).resolve()
            preset = path.name.endswith(".preset.toml") and any(shelf in path.parents for shelf in shelves)
            written = path.parent == beside and path.name.endswith((".overlay.toml", ".jobs.toml"))
            if not (preset or written):
                raise ValueError(f"a cull must not write to {named!r}")
    return Record(found, tuple(libraries))


def is_as_written(plan_path: Path, one: WriteFile) -> bool:
    """Whether a file still has the text that the cull wrote; a file that somebody edited or removed is left alone."""
    file = plan_path.parent / one.file
    return file.exists() and text_of(file) == one.text


def remove(file: Path) -> None:
    """Remove a file, if it exists. Raises ResourceError."""
    try:
        file.unlink(missing_ok=True)
    except OSError as error:
        message = f"the file could not be removed ({error.strerror})"
        raise ResourceError(Problem(message, file=shown_path(file), code=Code.CANNOT_WRITE)) from error


def refuse_changed(plan_path: Path, todo: Sequence[Operation]) -> None:
    """Raise ResourceError if a preset was edited or moved since the cull: it must not be overwritten."""
    problems = []
    for one in todo:
        if isinstance(one, WriteFile):
            continue
        target, file = plan_path.parent / one.target, plan_path.parent / one.file
        if not target.exists() or text_of(target) != one.after:
            message = "this preset was changed since the cull, and is not overwritten"
            problems.append(Problem(message, file=shown_path(target), code=Code.CHANGED_SINCE_CULL))
        elif file.exists():
            message = "another preset has this name now"
            problems.append(Problem(message, file=shown_path(file), code=Code.PLACE_TAKEN))
    if problems:
        raise ResourceError(problems)


def refuse_foreign(plan_path: Path, todo: Sequence[Operation]) -> None:
    """Raise ResourceError if a file has neither the text before nor the text after the interrupted cull."""
    problems = [problem for one in todo for problem in _foreign(plan_path, one)]
    if problems:
        raise ResourceError(problems)


def _foreign(plan_path: Path, one: Operation) -> Iterator[Problem]:
    hint = "a cull was interrupted; save your change elsewhere, restore the journal's text, run the command again"
    named, known = [one.file], [one.text] if isinstance(one, WriteFile) else [one.before, one.after]
    named += [one.target] if isinstance(one, RetirePreset) else []
    places = [plan_path.parent / path for path in named]
    there = [path for path in places if path.exists()]
    for path in there:
        if text_of(path) not in known:
            message = "this file was changed since the cull was interrupted, and is not overwritten"
            yield Problem(message, file=shown_path(path), hint=hint, code=Code.CHANGED_SINCE_CULL)
    if isinstance(one, RetirePreset) and len(there) != 1:
        message = f"the preset {one.preset} {'exists twice' if there else 'is missing'}"
        yield Problem(message, file=shown_path(places[0]), hint=hint, code=Code.PRESET_MISPLACED)
