"""Carries a cull out, and finishes what was begun: a journal first, then one rename after the other.

Each step leaves a library that can be read: a preset's file gets its new status in place (written beside, then
renamed), and is then renamed into `retired/`, which does not count in its name. A run that was killed is finished by
the next `cull` command, from the journal; `undo` takes everything back from the same record.
"""

from __future__ import annotations

import fcntl
import json
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from chainrun.cull.library import Shelf
from chainrun.cull.plan import Plan
from chainrun.cull.trial import overlay_text
from chainrun.errors import Problem, ResourceError, shown_path
from chainrun.recipe.locate import positions
from chainrun.recipe.presets import RETIRED
from chainrun.recipe.toml_text import toml_text
from chainrun.whole_file import write_whole

JOURNAL = ".cull-journal.json"
Step = Callable[[str], None]


def _journal_of(plan_path: Path) -> Path:
    return plan_path.parent / f".{plan_path.name}{JOURNAL}"


def undo_of(plan_path: Path) -> Path:
    """The record by which a cull is taken back."""
    return plan_path.parent / f"{plan_path.name.removesuffix('.toml')}.undo.json"


def retired_text(text: str, year: int, successor: str | None) -> str:
    """A preset's file with its new status: the lines about it stand behind `preset = 1`, all else stays as written."""
    known = positions(text)
    lines = text.splitlines(keepends=True)
    head = known[("preset",)][0] - 1
    ending = "\r\n" if lines[head].endswith("\r\n") else "\n"
    more = ['status = "retired"', f"retired_in = {year}"]
    more += [f"replaced_by = {toml_text(successor)}"] if successor is not None else []
    old = {known[(key,)][0] - 1 for key in ("status", "retired_in", "replaced_by") if (key,) in known}
    made = []
    for i, line in enumerate(lines):
        if i not in old:
            made.append(line)
        if i == head:
            made[-1] = made[-1] if made[-1].endswith("\n") else made[-1] + ending
            made += [f"{one}{ending}" for one in more]
    return "".join(made)


def _text(path: Path) -> str:
    """A file's text to the byte: line ends and all."""
    return path.read_bytes().decode("utf-8")


@contextmanager
def alone(plan_path: Path) -> Iterator[None]:
    """No other cull may work on this plan. Raises ResourceError."""
    try:
        with plan_path.open("rb") as file:
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError as error:
                raise ResourceError(
                    Problem("another cull of this plan is at work", file=shown_path(plan_path), hint="wait for it")
                ) from error
            yield
    except FileNotFoundError as error:
        raise ResourceError(Problem("there is no such plan", file=shown_path(plan_path))) from error


def operations(plan: Plan) -> list[dict[str, Any]]:
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
        done.append(
            {
                "preset": preset.name,
                "file": _seen(preset.file, plan.path),
                "target": _seen(target, plan.path),
                "before": text,
                "after": retired_text(text, plan.file.year, decision.by),
            }
        )
    if not done and not plan.replacements():
        return []
    overlay = plan.path.parent / f"{plan.file.year}.overlay.toml"
    jobs = plan.path.parent / f"{plan.file.year}.jobs.toml"
    for path, text in ((overlay, overlay_text(plan)), (jobs, jobs_text(plan, overlay))):
        if path.exists() and _text(path) != text:
            raise ResourceError(
                Problem("there is such a file already, with other content", file=shown_path(path), hint="move it away")
            )
        if not path.exists():
            done.append({"file": _seen(path, plan.path), "text": text})
    return done


def _seen(path: Path, plan_path: Path) -> str:
    """A path as seen from the plan's folder: a record that moves with it, and tells nothing of the machine."""
    return Path(os.path.relpath(path.resolve(), plan_path.resolve().parent)).as_posix()


def jobs_text(plan: Plan, overlay: Path) -> str:
    """A batch that renders all recipes under the new overlay, beside the old results."""
    import tomli_w

    return tomli_w.dumps(
        {
            "jobs": 1,
            "out": f"out-{plan.file.year}",
            "on_error": "continue",
            "defaults": {"overlays": [overlay.name]},
            "job": [{"recipes": plan.file.recipes}] if plan.file.recipes else [],
        }
    )


def apply(plan: Plan, step: Step | None = None) -> list[str]:
    """Carry a plan out; returns what was done, a line each. Raises ResourceError, and leaves a journal to go on from.

    `step` is called before each change of a file, for tests that kill it there.
    """
    recover(plan.path, step)
    todo = operations(plan)
    if not todo:
        return []
    journal = _journal_of(plan.path)
    write_whole(journal, json.dumps({"cull": 1, "direction": "apply", "operations": todo}, indent=1))
    return _forward(plan.path, todo, step or (lambda text: None))


def _forward(plan_path: Path, todo: list[dict[str, Any]], step: Step) -> list[str]:
    told = []
    for one in todo:
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
    write_whole(undo_of(plan_path), json.dumps({"cull": 1, "operations": todo}, indent=1))
    step("end")
    _journal_of(plan_path).unlink(missing_ok=True)
    return told


def _move(file: Path, target: Path) -> None:
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        os.replace(file, target)
    except OSError as error:
        raise ResourceError(
            Problem(f"the file could not be moved ({error.strerror})", file=shown_path(file), hint=shown_path(target))
        ) from error


def recover(plan_path: Path, step: Step | None = None) -> list[str]:
    """Finish what a killed run began, if there is something; returns what was done."""
    journal = _journal_of(plan_path)
    if not journal.exists():
        return []
    try:
        record = json.loads(journal.read_text(encoding="utf-8"))
        todo, direction = record["operations"], record["direction"]
    except (OSError, ValueError, KeyError) as error:
        raise ResourceError(Problem(f"the journal is damaged ({error})", file=shown_path(journal))) from error
    if direction == "undo":
        return _backward(plan_path, todo, step or (lambda text: None))
    return _forward(plan_path, todo, step or (lambda text: None))


def undo(plan_path: Path, step: Step | None = None) -> list[str]:
    """Take a cull back: presets to their places and words, the files that it wrote away where nobody changed them."""
    finished = recover(plan_path, step)
    record = undo_of(plan_path)
    if finished and not record.exists():
        return finished  # a killed undo, brought to its end
    if not record.exists():
        raise ResourceError(
            Problem("there is no record of such a cull", file=shown_path(record), hint="was it applied from here?")
        )
    todo = json.loads(record.read_text(encoding="utf-8"))["operations"]
    _refuse_changed(plan_path, todo)
    write_whole(_journal_of(plan_path), json.dumps({"cull": 1, "direction": "undo", "operations": todo}, indent=1))
    return _backward(plan_path, todo, step or (lambda text: None))


def _refuse_changed(plan_path: Path, todo: list[dict[str, Any]]) -> None:
    """Presets that somebody has edited or moved since are not written over. Raises ResourceError."""
    problems = []
    for one in todo:
        if "target" not in one:
            continue
        target = plan_path.parent / one["target"]
        if not target.exists() or _text(target) != one["after"]:
            problems.append(Problem("this preset was changed since the cull; it stays", file=shown_path(target)))
        elif (plan_path.parent / one["file"]).exists():
            problems.append(
                Problem("another preset has taken its place", file=shown_path(plan_path.parent / one["file"]))
            )
    if problems:
        raise ResourceError(problems)


def _backward(plan_path: Path, todo: list[dict[str, Any]], step: Step) -> list[str]:
    told = []
    for one in reversed(todo):
        file = plan_path.parent / one["file"]
        if "text" in one:
            if file.exists() and _text(file) == one["text"]:
                step(f"remove {file.name}")
                file.unlink()
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
    undo_of(plan_path).unlink(missing_ok=True)
    _journal_of(plan_path).unlink(missing_ok=True)
    return told
