"""Carries a cull out, and finishes what was begun: a journal first, then one rename after the other.

Each step leaves a library that can be read: a preset's file gets its new status in place (written beside, then
renamed), and is then renamed into `retired/`, which does not count in its name. Where a file cannot be written, all is
taken back. An `apply` that was killed is finished by the next `apply`, from the journal, and taken back by `undo`.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from chainrun.cull.journal import (
    Journal,
    begun,
    is_as_written,
    journal_of,
    marks,
    recorded,
    refuse_changed,
    refuse_foreign,
    refuse_unfinished,
    remove,
    text_of,
    undo_of,
)
from chainrun.cull.plan import CullPlan
from chainrun.cull.trial import overlay_text
from chainrun.errors import Problem, ResourceError, shown_path
from chainrun.library.shelf import Shelf
from chainrun.library.usage import recipe_files
from chainrun.recipe.load import recipe_name
from chainrun.recipe.locate import positions
from chainrun.recipe.presets import RETIRED
from chainrun.recipe.toml_text import toml_text
from chainrun.whole_file import write_whole

STATUS = ("status", "retired_in", "replaced_by")
BOM = "\ufeff"
Step = Callable[[str], None]


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


def operations(plan: CullPlan, variants: Sequence[tuple[Path, str]] = ()) -> list[dict[str, Any]]:
    """What is to be done, as plain data: files with their text before and after, and where they go."""
    shelf = Shelf(plan.folders)
    done: list[dict[str, Any]] = []
    for decision in plan.file.preset:
        preset = shelf.presets[decision.name]
        if decision.decision == "keep" or preset.status == "retired":
            continue
        text = text_of(preset.file)
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
        if path.exists() and text_of(path) != text:
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


def _job_name(recipe: Path, plan: CullPlan) -> str:
    """A name for a job by its recipe's place: `songs-a-take`."""
    place = _seen(recipe, plan.path).removesuffix(".toml").removesuffix(".recipe")
    return re.sub(r"[^A-Za-z0-9_-]+", "-", place).strip("-_")[-48:].strip("-_") or "recipe"


def jobs_text(plan: CullPlan, overlay: Path, variants: Sequence[tuple[Path, str]] = ()) -> str:
    """A batch that renders all recipes under the new overlay, beside what they were, and tells what moved."""
    import tomli_w

    jobs: list[dict[str, Any]] = [{"recipes": plan.file.recipes}] if plan.file.recipes else []
    recipes = recipe_files(plan.patterns) if plan.patterns else []
    names = [recipe_name(recipe) for recipe in recipes]
    twice = {name for name in names if names.count(name) > 1}
    if twice:  # jobs of one name are refused: each recipe is listed, these by their place
        jobs = [
            {"recipes": [_seen(one, plan.path)]} | ({"name": _job_name(one, plan)} if name in twice else {})
            for one, name in zip(recipes, names, strict=True)
        ]
    for recipe, variant in variants:
        own = (
            {"name": f"{_job_name(recipe, plan)}-{variant}"[-64:].lstrip("-_")} if recipe_name(recipe) in twice else {}
        )
        jobs.append({"recipes": [_seen(recipe, plan.path)], "variant": variant} | own)
    return tomli_w.dumps(
        {
            "jobs": 1,
            "out": f"out-{plan.file.year}",
            "on_error": "continue",
            "defaults": {"overlays": [overlay.name], "compare": True},
            "job": jobs,
        }
    )


def apply(plan: CullPlan, step: Step | None = None, variants: Sequence[tuple[Path, str]] = ()) -> list[str]:
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
    journal = Journal("apply", todo, recorded(plan.path)[0], libraries, text_hash)
    journal.write(plan.path)
    return told + _all_or_nothing(plan.path, journal, _forward, _backward, step)


def undo(plan_path: Path, step: Step | None = None) -> list[str]:
    """Take a cull back: presets to their places and words, the files that it wrote away where nobody changed them.

    Of an `apply` that was killed, what it had done is taken back.
    """
    journal = begun(plan_path)
    if journal is not None:
        refuse_foreign(plan_path, journal.operations)
        return _backward(plan_path, journal, step or _nothing)
    todo, libraries = recorded(plan_path)
    if not todo:
        raise ResourceError(
            Problem(
                "there is no record of such a cull",
                file=shown_path(undo_of(plan_path)),
                hint="was it applied from here?",
            )
        )
    _refuse_older(plan_path, todo)
    refuse_changed(plan_path, todo)
    mine = [one for one in todo if "target" in one or is_as_written(plan_path.parent / one["file"], one["text"])]
    journal = Journal("undo", mine, [], libraries, record=text_of(undo_of(plan_path)))
    journal.write(plan_path)
    return _all_or_nothing(plan_path, journal, _backward, _forward, step)


def _refuse_older(plan_path: Path, todo: list[dict[str, Any]]) -> None:
    """Raise ResourceError where a later cull stands on this one: its overlay holds what this one replaced."""
    own = [name for one in todo if "text" in one and (name := Path(one["file"]).name).endswith(".overlay.toml")]
    later = sorted(
        path.name for path in plan_path.parent.glob("[12][0-9][0-9][0-9].overlay.toml") if own and path.name > own[0]
    )
    if later:
        raise ResourceError(
            Problem(
                "a later cull stands on this one",
                file=shown_path(plan_path),
                given=", ".join(later),
                hint=f"undo that of {later[-1][:4]} first",
            )
        )


def recover(plan_path: Path, step: Step | None = None) -> list[str]:
    """Finish what a killed run began, if there is something; returns what was done. Raises ResourceError."""
    journal = begun(plan_path)
    if journal is None:
        return []
    refuse_foreign(plan_path, journal.operations)
    ways = (_forward, _backward) if journal.direction == "apply" else (_backward, _forward)
    return _all_or_nothing(plan_path, journal, *ways, step)


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
            if file.exists() and text_of(file) == one["text"]:
                step(f"remove {file.name}")
                remove(file)
                told.append(f"removed {shown_path(file)}")
            continue
        target = plan_path.parent / one["target"]
        if target.exists():
            step(f"move {one['preset']} back")
            _move(target, file)
        if file.exists() and text_of(file) != one["before"]:
            step(f"status of {one['preset']}")
            write_whole(file, one["before"])
        told.append(f"{one['preset']} is current again")
    step("record")
    if journal.earlier:
        record = {"cull": 1, "libraries": journal.libraries, "operations": journal.earlier}
        write_whole(undo_of(plan_path), json.dumps(record, indent=1))
    else:
        remove(undo_of(plan_path))
    _end(plan_path, journal)
    return told


def _end(plan_path: Path, journal: Journal) -> None:
    """All is done: the journal goes, then the marks that point to it."""
    remove(journal_of(plan_path))
    for mark in marks(plan_path, journal.libraries):
        remove(mark)


def _move(file: Path, target: Path) -> None:
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        os.replace(file, target)
    except OSError as error:
        raise ResourceError(
            Problem(f"the file could not be moved ({error.strerror})", file=shown_path(file), hint=shown_path(target))
        ) from error
