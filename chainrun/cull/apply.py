"""Applies and undoes a cull: writes a journal first, then changes one file after another.

The library stays readable after each step: a preset's file gets its new status (written beside it, then renamed), and
is then moved into `retired/`, a folder that is not part of its name. If a file cannot be written, all changes are
undone. After an `apply` that was killed, the next `apply` finishes it from the journal, and `undo` takes it back.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from chainrun.cull.journal import (
    Journal,
    Record,
    alone,
    begun,
    is_as_written,
    journal_of,
    marks,
    recorded,
    refuse_changed,
    refuse_foreign,
    refuse_unfinished,
    remove,
    undo_of,
)
from chainrun.cull.operations import Operation, RetirePreset, WriteFile, operations, text_of
from chainrun.cull.overlay_files import Variant, seen_from_plan
from chainrun.cull.plan import CullPlan, read_plan
from chainrun.cull.trial import affected, refusals, usage_of
from chainrun.errors import Problem, ResourceError, shown_path
from chainrun.library.progress import Progress
from chainrun.problem_codes import Code
from chainrun.whole_file import write_whole

Step = Callable[[str], None]
"""Called before each change of a file: tests kill a cull there."""


class Deed(Enum):
    """Kinds of change that a cull, or its undo, makes."""

    RETIRED = "retired {preset}: now {file}"
    RESTORED = "{preset} is current again"
    WROTE = "wrote {file}"
    REMOVED = "removed {file}"


@dataclass(frozen=True)
class CullChange:
    """One change that was made."""

    deed: Deed
    file: Path
    """Current path of the file; for REMOVED its former path."""
    preset: str = ""

    def sentence(self) -> str:
        """The change in words."""
        return self.deed.value.format(preset=self.preset, file=shown_path(self.file))


def apply_cull(plan: Path, *, progress: Progress | None = None, allow_roots: Sequence[Path] = ()) -> list[CullChange]:
    """Retire and replace presets as a plan says: all of it or nothing, and with no other cull at the same time.

    Finishes an apply that was killed. Returns the changes, none if all were made before. `progress` gets a warning for
    each recipe that does not open under the new overlay. `undo_cull` takes it back. Raises RecipeError for a plan that
    is not valid, UsageError for its patterns, ResourceError if another cull is running or a file cannot be written.
    """
    reporter = progress or Progress()
    with alone(plan):
        journal = begun(plan)
        read = read_plan(plan)
        with alone(*read.folders):
            variants: list[Variant] = []
            if journal is None or journal.direction == "undo":
                known = usage_of(read, allow_roots)
                for text in refusals(read, known):
                    reporter.warning(text)
                variants = [(one.recipe, one.variant) for one in affected(read, known) if one.variant is not None]
            return apply(read, variants=variants)


def undo_cull(plan: Path) -> list[CullChange]:
    """Undo a cull: restores the presets' files, and removes the files that it wrote unless they were edited.

    Returns the changes. Raises ResourceError if there is no record of the cull, a preset was edited since, a later
    cull builds on it, another cull is running, or a file cannot be written.
    """
    with alone(plan):
        return undo(plan)


def apply(plan: CullPlan, step: Step | None = None, variants: Sequence[Variant] = ()) -> list[CullChange]:
    """Apply a plan; the caller holds the locks. `variants` are the affected ones. Raises ResourceError."""
    refuse_unfinished(plan)
    plan_hash = hashlib.sha256(plan.path.read_bytes()).hexdigest()
    journal = begun(plan.path)
    if journal is not None and journal.direction == "apply" and journal.plan_hash != plan_hash:
        raise ResourceError(
            Problem(
                "the plan was changed after its apply was interrupted",
                file=shown_path(plan.path),
                hint="undo the interrupted cull, then apply the plan again",
                code=Code.CULL_PLAN_CHANGED,
            )
        )
    done = recover(plan.path, step)
    if journal is not None and journal.direction == "apply":
        return done
    todo = operations(plan, variants)
    if not todo:
        return done
    libraries = tuple(seen_from_plan(plan, folder) for folder in plan.folders)
    journal = Journal("apply", tuple(todo), recorded(plan.path).operations, libraries, plan_hash)
    journal.write(plan.path)
    return done + _all_or_nothing(plan.path, journal, _forward, _backward, step)


def undo(plan_path: Path, step: Step | None = None) -> list[CullChange]:
    """Undo a cull, or the part of it that a killed `apply` had done; the caller holds the lock."""
    journal = begun(plan_path)
    if journal is not None:
        refuse_foreign(plan_path, journal.operations)
        return _backward(plan_path, journal, step or _nothing)
    record = recorded(plan_path)
    if not record.operations:
        message, hint = "there is no record of this cull", "was it applied from this folder?"
        raise ResourceError(Problem(message, file=shown_path(undo_of(plan_path)), hint=hint, code=Code.NO_CULL_RECORD))
    _refuse_older(plan_path, record)
    refuse_changed(plan_path, record.operations)
    mine = [one for one in record.operations if isinstance(one, RetirePreset) or is_as_written(plan_path, one)]
    journal = Journal("undo", tuple(mine), (), record.libraries, record=text_of(undo_of(plan_path)))
    journal.write(plan_path)
    return _all_or_nothing(plan_path, journal, _backward, _forward, step)


def _refuse_older(plan_path: Path, record: Record) -> None:
    """Raise ResourceError if a later cull builds on this one: its overlay contains this one's replacements."""
    written = [Path(one.file).name for one in record.operations if isinstance(one, WriteFile)]
    own = [name for name in written if name.endswith(".overlay.toml")]
    later = sorted(
        path.name for path in plan_path.parent.glob("[12][0-9][0-9][0-9].overlay.toml") if own and path.name > own[0]
    )
    if later:
        raise ResourceError(
            Problem(
                "a later cull builds on this one",
                file=shown_path(plan_path),
                given=", ".join(later),
                hint=f"undo the cull of {later[-1][:4]} first",
                code=Code.LATER_CULL,
            )
        )


def recover(plan_path: Path, step: Step | None = None) -> list[CullChange]:
    """Finish the work of a killed run, if there is any; returns the changes. Raises ResourceError."""
    journal = begun(plan_path)
    if journal is None:
        return []
    refuse_foreign(plan_path, journal.operations)
    ways = (_forward, _backward) if journal.direction == "apply" else (_backward, _forward)
    return _all_or_nothing(plan_path, journal, *ways, step)


def _nothing(text: str) -> None:
    pass


Way = Callable[[Path, Journal, Step], list[CullChange]]


def _all_or_nothing(plan_path: Path, journal: Journal, there: Way, back: Way, step: Step | None) -> list[CullChange]:
    """Work in one direction; if a file cannot be written, work back again and report the reason."""
    try:
        return there(plan_path, journal, step or _nothing)
    except ResourceError as error:
        try:
            back(plan_path, journal, _nothing)
        except ResourceError as second:
            message = "the changes made so far could not be undone either: solve this, then run the command again"
            stays = Problem(message, file=shown_path(journal_of(plan_path)), code=Code.NOT_TAKEN_BACK)
            raise ResourceError([*error.problems, *second.problems, stays]) from error
        message = "nothing was changed: all files are as before"
        raise ResourceError([*error.problems, Problem(message, code=Code.NOTHING_CHANGED)]) from error


def _forward(plan_path: Path, journal: Journal, step: Step) -> list[CullChange]:
    done = []
    for one in journal.operations:
        file = plan_path.parent / one.file
        if isinstance(one, WriteFile):
            step(f"write {file.name}")
            write_whole(file, one.text)
            done.append(CullChange(Deed.WROTE, file))
            continue
        target = plan_path.parent / one.target
        if file.exists():
            step(f"status of {one.preset}")
            write_whole(file, one.after)
            step(f"move {one.preset}")
            _move(file, target)
        done.append(CullChange(Deed.RETIRED, target, one.preset))
    step("record")
    record = Record(journal.earlier + journal.operations, journal.libraries)
    write_whole(undo_of(plan_path), journal.record or record.text())
    step("end")
    _end(plan_path, journal)
    return done


def _backward(plan_path: Path, journal: Journal, step: Step) -> list[CullChange]:
    done = [change for one in reversed(journal.operations) for change in _take_back(plan_path, one, step)]
    step("record")
    if journal.earlier:
        write_whole(undo_of(plan_path), Record(journal.earlier, journal.libraries).text())
    else:
        remove(undo_of(plan_path))
    _end(plan_path, journal)
    return done


def _take_back(plan_path: Path, one: Operation, step: Step) -> list[CullChange]:
    file = plan_path.parent / one.file
    if isinstance(one, WriteFile):
        if not is_as_written(plan_path, one):
            return []
        step(f"remove {file.name}")
        remove(file)
        return [CullChange(Deed.REMOVED, file)]
    target = plan_path.parent / one.target
    if target.exists():
        step(f"move {one.preset} back")
        _move(target, file)
    if file.exists() and text_of(file) != one.before:
        step(f"status of {one.preset}")
        write_whole(file, one.before)
    return [CullChange(Deed.RESTORED, file, one.preset)]


def _end(plan_path: Path, journal: Journal) -> None:
    """Remove the journal, then the marks that point to it."""
    remove(journal_of(plan_path))
    for mark in marks(plan_path, journal.libraries):
        remove(mark)


def _move(file: Path, target: Path) -> None:
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        os.replace(file, target)
    except OSError as error:
        message = f"the file could not be moved ({error.strerror})"
        raise ResourceError(
            Problem(message, file=shown_path(file), hint=shown_path(target), code=Code.CANNOT_WRITE)
        ) from error
