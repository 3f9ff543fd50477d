"""What a cull has begun and done, on disk: journal, record and marks, and who may go on from them."""

from __future__ import annotations

import fcntl
import json
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

from chainrun.cull.plan import CullPlan
from chainrun.errors import Problem, ResourceError, reason, shown_path
from chainrun.limits import Limits
from chainrun.whole_file import read_text, write_whole

LARGEST = Limits(toml_kb=64_000)
"""A journal holds every preset twice."""
JOURNAL = ".cull-journal.json"
MARK = ".cull-in-progress"


def journal_of(plan_path: Path) -> Path:
    return plan_path.parent / f".{plan_path.name}{JOURNAL}"


def undo_of(plan_path: Path) -> Path:
    """The record by which a cull is taken back."""
    return plan_path.parent / f"{plan_path.name.removesuffix('.toml')}.undo.json"


def text_of(path: Path) -> str:
    """A file's text to the byte: line ends and all. Raises ResourceError."""
    try:
        return path.read_bytes().decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ResourceError(Problem(f"the file cannot be read ({reason(error)})", file=shown_path(path))) from error


@contextmanager
def alone(*paths: Path) -> Iterator[None]:
    """No other cull may work on these: a plan, or libraries. Raises ResourceError."""
    opened: list[int] = []
    try:
        for path in paths:
            try:
                opened.append(os.open(path, os.O_RDONLY | os.O_NONBLOCK))
                fcntl.flock(opened[-1], fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as error:
                what = "in this library" if path.is_dir() else "of this plan"
                raise ResourceError(
                    Problem(f"another cull {what} is at work", file=shown_path(path), hint="wait for it")
                ) from error
            except OSError as error:
                raise ResourceError(
                    Problem(f"this cannot be opened ({error.strerror})", file=shown_path(path))
                ) from error
        yield
    finally:
        for one in opened:
            os.close(one)


def marks(plan_path: Path, libraries: Sequence[str]) -> list[Path]:
    return [plan_path.parent / one / MARK for one in libraries]


def refuse_unfinished(plan: CullPlan) -> None:
    """Raise ResourceError where a cull by another plan was interrupted in one of the libraries."""
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
                    hint=f"finish it by chainrun cull apply {shown_path(other)}, or cull undo it"
                    + ("" if other.exists() else ": the plan must have this name"),
                )
            )


@dataclass(frozen=True)
class Journal:
    """What a run has begun: written before the first change, gone after the last."""

    direction: Literal["apply", "undo"]
    operations: list[dict[str, Any]]
    earlier: list[dict[str, Any]]
    """What an earlier `apply` of the same plan did; it stays on record."""
    libraries: list[str]
    """Folders in which it works, as seen from the plan."""
    plan_hash: str = ""
    """Of the plan's text when it was begun."""
    record: str = ""
    """Of an undo: the record that it goes by, for the case that it is to stay."""

    def write(self, plan_path: Path) -> None:
        """Put it down, and a mark into each library, so that other plans see it."""
        made = marks(plan_path, self.libraries)
        try:
            for mark in made:
                write_whole(mark, Path(os.path.relpath(plan_path.resolve(), mark.parent.resolve())).as_posix())
            self._write(plan_path)
        except ResourceError:
            for mark in made:
                remove(mark)
            raise

    def _write(self, plan_path: Path) -> None:
        write_whole(journal_of(plan_path), json.dumps({"cull": 1, **asdict(self)}, indent=1))


def begun(plan_path: Path) -> Journal | None:
    """What a run that was killed has left. Raises ResourceError for a damaged journal."""
    path = journal_of(plan_path)
    if not path.exists():
        return None
    try:
        record = json.loads(read_text(path, LARGEST))
        journal = Journal(**{key: record[key] for key in Journal.__dataclass_fields__})
        if journal.direction not in ("apply", "undo") or not all(
            isinstance(one, str) for one in (journal.plan_hash, journal.record)
        ):
            raise ValueError("a field is not what it should be")
        _refuse_leading_out(plan_path, journal.operations + journal.earlier, journal.libraries)
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise ResourceError(Problem(f"the journal is damaged ({reason(error)})", file=shown_path(path))) from error
    return journal


def _refuse_leading_out(plan_path: Path, operations: list[dict[str, Any]], libraries: list[str]) -> None:
    """Raise ValueError where a journal, maybe a stranger's, writes more than presets and what lies beside its plan."""
    if not isinstance(operations, list) or not isinstance(libraries, list):
        raise TypeError("operations and libraries are lists")
    if not all(isinstance(one, str) for one in libraries) or not all(map(_is_operation, operations)):
        raise TypeError("an operation is not complete")
    beside = plan_path.parent.resolve()
    shelves = [(beside / one).resolve() for one in libraries]
    for one in operations:
        for key in ("file", "target"):
            if key in one:
                path = (plan_path.parent / one[key]).resolve()
                preset = path.name.endswith(".preset.toml") and any(shelf in path.parents for shelf in shelves)
                written = path.parent == beside and path.name.endswith((".overlay.toml", ".jobs.toml"))
                if not (preset or written):
                    raise ValueError(f"{one[key]!r} is no place for a cull to write to")


def _is_operation(one: Any) -> bool:
    """Whether an operation has all that is read of it."""
    if not isinstance(one, dict) or not all(isinstance(value, str) for value in one.values()):
        return False
    moves = {"file", "target", "before", "after", "preset"} <= one.keys()
    return moves if "target" in one else {"file", "text"} <= one.keys()


def recorded(plan_path: Path) -> tuple[list[dict[str, Any]], list[str]]:
    """The operations on record, and the libraries that they are about."""
    path = undo_of(plan_path)
    if not path.exists():
        return [], []
    try:
        record = json.loads(read_text(path, LARGEST))
        found = (record["operations"], record.get("libraries", []))
        _refuse_leading_out(plan_path, *found)
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise ResourceError(Problem(f"the record is damaged ({reason(error)})", file=shown_path(path))) from error
    return found


def is_as_written(file: Path, text: str) -> bool:
    """Whether a file that a cull wrote is there as it was: what somebody changed or took away is not ours any more."""
    return file.exists() and text_of(file) == text


def remove(file: Path) -> None:
    try:
        file.unlink(missing_ok=True)
    except OSError as error:
        raise ResourceError(
            Problem(f"the file could not be removed ({error.strerror})", file=shown_path(file))
        ) from error


def refuse_changed(plan_path: Path, todo: list[dict[str, Any]]) -> None:
    """Presets that somebody has edited or moved since are not written over. Raises ResourceError."""
    problems = []
    for one in todo:
        if "target" not in one:
            continue
        target, file = plan_path.parent / one["target"], plan_path.parent / one["file"]
        if not target.exists() or text_of(target) != one["after"]:
            problems.append(Problem("this preset was changed since the cull; it stays", file=shown_path(target)))
        elif file.exists():
            problems.append(Problem("another preset has taken its place", file=shown_path(file)))
    if problems:
        raise ResourceError(problems)


def refuse_foreign(plan_path: Path, todo: list[dict[str, Any]]) -> None:
    """What is neither as it was nor as the journal would have it was changed by somebody. Raises ResourceError."""
    hint = "a cull was interrupted; copy your change away, bring back the text of the journal, run the command again"
    problems = []
    for one in todo:
        file = plan_path.parent / one["file"]
        target = plan_path.parent / one["target"] if "target" in one else None
        known = [one["text"]] if target is None else [one["before"], one["after"]]
        there = [path for path in (file, target) if path is not None and path.exists()]
        problems += [
            Problem("this file was changed since the cull was interrupted; it stays", file=shown_path(path), hint=hint)
            for path in there
            if text_of(path) not in known
        ]
        if target is not None and len(there) != 1:
            state = "is there twice" if there else "is missing"
            problems.append(Problem(f"the preset {one['preset']} {state}", file=shown_path(file), hint=hint))
    if problems:
        raise ResourceError(problems)
