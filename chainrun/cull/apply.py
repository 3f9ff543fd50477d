"""Carries a cull out, and finishes what was begun: a journal first, then one rename after the other.

Each step leaves a library that can be read: a preset's file gets its new status in place (written beside, then
renamed), and is then renamed into `retired/`, which does not count in its name. Where a file cannot be written, all is
taken back. An `apply` that was killed is finished by the next `apply`, from the journal, and taken back by `undo`.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import re
import tomllib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

from chainrun.cull.library import Shelf
from chainrun.cull.plan import Plan
from chainrun.cull.trial import overlay_text
from chainrun.errors import Problem, ResourceError, shown_path
from chainrun.recipe.locate import positions
from chainrun.recipe.presets import RETIRED
from chainrun.recipe.toml_text import toml_text
from chainrun.whole_file import write_whole

JOURNAL = ".cull-journal.json"
MARK = ".cull-in-progress"
STATUS = ("status", "retired_in", "replaced_by")
BOM = "\ufeff"
Step = Callable[[str], None]


def journal_of(plan_path: Path) -> Path:
    return plan_path.parent / f".{plan_path.name}{JOURNAL}"


def undo_of(plan_path: Path) -> Path:
    """The record by which a cull is taken back."""
    return plan_path.parent / f"{plan_path.name.removesuffix('.toml')}.undo.json"


def retired_text(text: str, year: int, successor: str | None) -> str:
    """A preset's file with its new status: the lines about it stand behind `preset = 1`, all else stays as written."""
    mark, text = (BOM, text[1:]) if text.startswith(BOM) else ("", text)
    known = positions(text)
    lines = re.findall(r"[^\n]*\n|[^\n]+", text)  # as TOML ends them; splitlines() knows more
    head = known[("preset",)][0] - 1
    ending = "\r\n" if lines[head].endswith("\r\n") else "\n"
    more = ['status = "retired"', f"retired_in = {year}"]
    more += [f"replaced_by = {toml_text(successor)}"] if successor is not None else []
    old = {known[(key,)][0] - 1 for key in STATUS if (key,) in known}
    made = []
    for i, line in enumerate(lines):
        if i not in old:
            made.append(line)
        if i == head:
            made[-1] = made[-1] if made[-1].endswith("\n") else made[-1] + ending
            made += [f"{one}{ending}" for one in more]
    return mark + "".join(made)


def _is_that_alone(before: str, after: str) -> bool:
    """Whether nothing but the status differs, as a parser reads it."""
    try:
        was, now = (tomllib.loads(text.removeprefix(BOM)) for text in (before, after))
    except tomllib.TOMLDecodeError:
        return False
    return {key: value for key, value in was.items() if key not in STATUS} == {
        key: value for key, value in now.items() if key not in STATUS
    }


def _text(path: Path) -> str:
    """A file's text to the byte: line ends and all. Raises ResourceError."""
    try:
        return path.read_bytes().decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ResourceError(Problem(f"the file cannot be read ({error})", file=shown_path(path))) from error


@contextmanager
def alone(*paths: Path) -> Iterator[None]:
    """No other cull may work on these: a plan, or libraries. Raises ResourceError."""
    opened: list[int] = []
    try:
        for path in paths:
            try:
                opened.append(os.open(path, os.O_RDONLY))
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


def _marks(plan_path: Path, libraries: Sequence[str]) -> list[Path]:
    return [plan_path.parent / one / MARK for one in libraries]


def refuse_unfinished(plan: Plan) -> None:
    """Raise ResourceError where a cull by another plan was interrupted in one of the libraries."""
    for folder in plan.folders:
        try:
            text = (folder / MARK).read_text(encoding="utf-8")
        except OSError:
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


def operations(plan: Plan, variants: Sequence[tuple[Path, str]] = ()) -> list[dict[str, Any]]:
    """What is to be done, as plain data: files with their text before and after, and where they go."""
    shelf = Shelf(plan.folders)
    done: list[dict[str, Any]] = []
    for decision in plan.file.preset:
        preset = shelf.presets[decision.name]
        if decision.decision == "keep" or preset.status == "retired":
            continue
        text = _text(preset.file)
        inside = preset.file.relative_to(preset.library)
        target = preset.library / RETIRED / inside
        if target.exists():
            raise ResourceError(
                Problem("there is a retired file of this name already", file=shown_path(target), hint="move it away")
            )
        after = retired_text(text, plan.file.year, decision.by)
        if not _is_that_alone(text, after):
            hint = "write status, retired_in and replaced_by on a line each, or retire it by hand"
            raise ResourceError(
                Problem("the status cannot be put into this file", file=shown_path(preset.file), hint=hint)
            )
        done.append(
            {
                "preset": preset.name,
                "file": _seen(preset.file, plan.path),
                "target": _seen(target, plan.path),
                "before": text,
                "after": after,
            }
        )
    if not done and not plan.of("replace"):
        return []
    overlay = plan.path.parent / f"{plan.file.year}.overlay.toml"
    jobs = plan.path.parent / f"{plan.file.year}.jobs.toml"
    for path, text in ((overlay, overlay_text(plan)), (jobs, jobs_text(plan, overlay, variants))):
        if path.exists() and _text(path) != text:
            raise ResourceError(
                Problem(
                    "there is such a file already, with other content",
                    file=shown_path(path),
                    hint="move it away, or `cull undo` what wrote it",
                )
            )
        if not path.exists():
            done.append({"file": _seen(path, plan.path), "text": text})
    return done


def _seen(path: Path, plan_path: Path) -> str:
    """A path as seen from the plan's folder: a record that moves with it, and tells nothing of the machine."""
    return Path(os.path.relpath(path.resolve(), plan_path.resolve().parent)).as_posix()


def jobs_text(plan: Plan, overlay: Path, variants: Sequence[tuple[Path, str]] = ()) -> str:
    """A batch that renders all recipes under the new overlay, beside what they were, and tells what moved."""
    import tomli_w

    jobs: list[dict[str, Any]] = [{"recipes": plan.file.recipes}] if plan.file.recipes else []
    jobs += [{"recipes": [_seen(recipe, plan.path)], "variant": variant} for recipe, variant in variants]
    return tomli_w.dumps(
        {
            "jobs": 1,
            "out": f"out-{plan.file.year}",
            "on_error": "continue",
            "defaults": {"overlays": [overlay.name], "compare": True},
            "job": jobs,
        }
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
        marks = _marks(plan_path, self.libraries)
        try:
            for mark in marks:
                write_whole(mark, Path(os.path.relpath(plan_path.resolve(), mark.parent.resolve())).as_posix())
            self._write(plan_path)
        except ResourceError:
            for mark in marks:
                _remove(mark)
            raise

    def _write(self, plan_path: Path) -> None:
        write_whole(journal_of(plan_path), json.dumps({"cull": 1, **asdict(self)}, indent=1))


def begun(plan_path: Path) -> Journal | None:
    """What a run that was killed has left. Raises ResourceError for a damaged journal."""
    path = journal_of(plan_path)
    if not path.exists():
        return None
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
        return Journal(**{key: record[key] for key in Journal.__dataclass_fields__})
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ResourceError(Problem(f"the journal is damaged ({error})", file=shown_path(path))) from error


def _recorded(plan_path: Path) -> tuple[list[dict[str, Any]], list[str]]:
    """The operations on record, and the libraries that they are about."""
    path = undo_of(plan_path)
    if not path.exists():
        return [], []
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
        found = (list(record["operations"]), list(record.get("libraries", [])))
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ResourceError(Problem(f"the record is damaged ({error})", file=shown_path(path))) from error
    return found


def apply(plan: Plan, step: Step | None = None, variants: Sequence[tuple[Path, str]] = ()) -> list[str]:
    """Carry a plan out, all of it or nothing; returns what was done, a line each. Raises ResourceError.

    `step` is called before each change of a file, for tests that kill it there. `variants` are those that are affected.
    """
    refuse_unfinished(plan)
    text_hash = hashlib.sha256(plan.path.read_bytes()).hexdigest()
    journal = begun(plan.path)
    if journal is not None and journal.direction == "apply" and journal.plan_hash != text_hash:
        raise ResourceError(
            Problem(
                "the plan was changed since its apply was interrupted",
                file=shown_path(plan.path),
                hint="cull undo it, then apply the plan as it is now",
            )
        )
    told = recover(plan.path, step)
    if journal is not None and journal.direction == "apply":
        return told
    todo = operations(plan, variants)
    if not todo:
        return told
    libraries = [_seen(folder, plan.path) for folder in plan.folders]
    journal = Journal("apply", todo, _recorded(plan.path)[0], libraries, text_hash)
    journal.write(plan.path)
    return told + _all_or_nothing(plan.path, journal, _forward, _backward, step)


def undo(plan_path: Path, step: Step | None = None) -> list[str]:
    """Take a cull back: presets to their places and words, the files that it wrote away where nobody changed them.

    Of an `apply` that was killed, what it had done is taken back.
    """
    journal = begun(plan_path)
    if journal is not None:
        _refuse_foreign(plan_path, journal.operations)
        return _backward(plan_path, journal, step or _nothing)
    todo, libraries = _recorded(plan_path)
    if not todo:
        raise ResourceError(
            Problem(
                "there is no record of such a cull",
                file=shown_path(undo_of(plan_path)),
                hint="was it applied from here?",
            )
        )
    _refuse_changed(plan_path, todo)
    mine = [one for one in todo if "target" in one or _is_as_written(plan_path.parent / one["file"], one["text"])]
    journal = Journal("undo", mine, [], libraries, record=_text(undo_of(plan_path)))
    journal.write(plan_path)
    return _all_or_nothing(plan_path, journal, _backward, _forward, step)


def recover(plan_path: Path, step: Step | None = None) -> list[str]:
    """Finish what a killed run began, if there is something; returns what was done. Raises ResourceError."""
    journal = begun(plan_path)
    if journal is None:
        return []
    _refuse_foreign(plan_path, journal.operations)
    ways = (_forward, _backward) if journal.direction == "apply" else (_backward, _forward)
    return _all_or_nothing(plan_path, journal, *ways, step)


def _is_as_written(file: Path, text: str) -> bool:
    """Whether a file that a cull wrote is there as it was: what somebody changed or took away is not ours any more."""
    return file.exists() and _text(file) == text


def _nothing(text: str) -> None:
    pass


Way = Callable[[Path, Journal, Step], list[str]]


def _all_or_nothing(plan_path: Path, journal: Journal, there: Way, back: Way, step: Step | None) -> list[str]:
    """Go one way; where a file cannot be written, go back again and tell why."""
    try:
        return there(plan_path, journal, step or _nothing)
    except ResourceError as error:
        try:
            back(plan_path, journal, _nothing)
        except ResourceError as second:
            stays = "what was begun could not be taken back either: mend this, then run the command again"
            raise ResourceError(
                [*error.problems, *second.problems, Problem(stays, file=shown_path(journal_of(plan_path)))]
            ) from error
        raise ResourceError([*error.problems, Problem("so nothing was changed: all is as it was before")]) from error


def _forward(plan_path: Path, journal: Journal, step: Step) -> list[str]:
    told = []
    for one in journal.operations:
        file = plan_path.parent / one["file"]
        if "text" in one:
            step(f"write {file.name}")
            write_whole(file, one["text"])
            told.append(f"wrote {shown_path(file)}")
            continue
        target = plan_path.parent / one["target"]
        if file.exists():
            step(f"status of {one['preset']}")
            write_whole(file, one["after"])
            step(f"move {one['preset']}")
            _move(file, target)
        told.append(f"retired {one['preset']}: now {shown_path(target)}")
    step("record")
    done = {"cull": 1, "libraries": journal.libraries, "operations": journal.earlier + journal.operations}
    write_whole(undo_of(plan_path), journal.record or json.dumps(done, indent=1))
    step("end")
    _end(plan_path, journal)
    return told


def _backward(plan_path: Path, journal: Journal, step: Step) -> list[str]:
    told = []
    for one in reversed(journal.operations):
        file = plan_path.parent / one["file"]
        if "text" in one:
            if file.exists() and _text(file) == one["text"]:
                step(f"remove {file.name}")
                _remove(file)
                told.append(f"removed {shown_path(file)}")
            continue
        target = plan_path.parent / one["target"]
        if target.exists():
            step(f"move {one['preset']} back")
            _move(target, file)
        if file.exists() and _text(file) != one["before"]:
            step(f"status of {one['preset']}")
            write_whole(file, one["before"])
        told.append(f"{one['preset']} is current again")
    step("record")
    if journal.earlier:
        record = {"cull": 1, "libraries": journal.libraries, "operations": journal.earlier}
        write_whole(undo_of(plan_path), json.dumps(record, indent=1))
    else:
        _remove(undo_of(plan_path))
    _end(plan_path, journal)
    return told


def _end(plan_path: Path, journal: Journal) -> None:
    """All is done: the journal goes, then the marks that point to it."""
    _remove(journal_of(plan_path))
    for mark in _marks(plan_path, journal.libraries):
        _remove(mark)


def _remove(file: Path) -> None:
    try:
        file.unlink(missing_ok=True)
    except OSError as error:
        raise ResourceError(
            Problem(f"the file could not be removed ({error.strerror})", file=shown_path(file))
        ) from error


def _move(file: Path, target: Path) -> None:
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        os.replace(file, target)
    except OSError as error:
        raise ResourceError(
            Problem(f"the file could not be moved ({error.strerror})", file=shown_path(file), hint=shown_path(target))
        ) from error


def _refuse_changed(plan_path: Path, todo: list[dict[str, Any]]) -> None:
    """Presets that somebody has edited or moved since are not written over. Raises ResourceError."""
    problems = []
    for one in todo:
        if "target" not in one:
            continue
        target, file = plan_path.parent / one["target"], plan_path.parent / one["file"]
        if not target.exists() or _text(target) != one["after"]:
            problems.append(Problem("this preset was changed since the cull; it stays", file=shown_path(target)))
        elif file.exists():
            problems.append(Problem("another preset has taken its place", file=shown_path(file)))
    if problems:
        raise ResourceError(problems)


def _refuse_foreign(plan_path: Path, todo: list[dict[str, Any]]) -> None:
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
            if _text(path) not in known
        ]
        if target is not None and len(there) != 1:
            state = "is there twice" if there else "is missing"
            problems.append(Problem(f"the preset {one['preset']} {state}", file=shown_path(file), hint=hint))
    if problems:
        raise ResourceError(problems)
