"""File operations of a cull: presets to retire, and files to write beside the plan."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from chainrun.cull.overlay_files import Variant, jobs_text, overlay_text, seen_from_plan
from chainrun.cull.plan import CullPlan, Decision
from chainrun.errors import Problem, ResourceError, reason, shown_path
from chainrun.library.shelf import Preset, Shelf
from chainrun.problem_codes import Code
from chainrun.recipe.locate import positions
from chainrun.recipe.presets import RETIRED
from chainrun.recipe.toml_text import toml_text

STATUS = ("status", "retired_in", "replaced_by")
BOM = "\ufeff"


@dataclass(frozen=True)
class RetirePreset:
    """Give a preset's file its new status and move it into `retired/`. Paths are relative to the plan's folder."""

    preset: str
    file: str
    target: str
    before: str
    """Its former text, to the byte."""
    after: str

    def record(self) -> dict[str, str]:
        """The operation as a JSON object."""
        return asdict(self)


@dataclass(frozen=True)
class WriteFile:
    """Write a file beside the plan: the overlay, or the jobs."""

    file: str
    text: str

    def record(self) -> dict[str, str]:
        """The operation as a JSON object."""
        return asdict(self)


Operation = RetirePreset | WriteFile


def operation_of(record: object) -> Operation:
    """An operation from its JSON object in a journal or record. Raises TypeError if it is incomplete."""
    if isinstance(record, dict) and all(isinstance(value, str) for value in record.values()):
        kind = RetirePreset if "target" in record else WriteFile
        keys = kind.__dataclass_fields__.keys()
        if keys <= record.keys():
            return kind(**{key: record[key] for key in keys})
    raise TypeError("an operation is incomplete")


def operations(plan: CullPlan, variants: Sequence[Variant] = ()) -> list[Operation]:
    """The operations of a plan that are not done yet; `variants` are the affected ones. Raises ResourceError."""
    shelf = Shelf(plan.folders)
    found: list[Operation] = [
        _retirement(plan, decision, shelf.presets[decision.name])
        for decision in plan.file.preset
        if decision.decision != "keep" and shelf.presets[decision.name].status != "retired"
    ]
    if not found and not plan.of("replace"):
        return []
    return [*found, *_files_to_write(plan, variants)]


def _retirement(plan: CullPlan, decision: Decision, preset: Preset) -> RetirePreset:
    text = text_of(preset.file)
    target = preset.library / RETIRED / preset.file.relative_to(preset.library)
    if target.exists():
        message = "a retired file of this name exists already"
        raise ResourceError(Problem(message, file=shown_path(target), hint="move it away", code=Code.FILE_EXISTS))
    after = retired_text(text, plan.file.year, decision.by)
    if not _differs_in_status_alone(text, after):
        message = "the status cannot be written into this file"
        hint = "put status, retired_in and replaced_by on separate lines, or retire the preset by hand"
        raise ResourceError(Problem(message, file=shown_path(preset.file), hint=hint, code=Code.STATUS_NOT_PUT))
    return RetirePreset(preset.name, seen_from_plan(plan, preset.file), seen_from_plan(plan, target), text, after)


def _files_to_write(plan: CullPlan, variants: Sequence[Variant]) -> Iterator[WriteFile]:
    overlay = plan.path.parent / f"{plan.file.year}.overlay.toml"
    jobs = plan.path.parent / f"{plan.file.year}.jobs.toml"
    for path, text in ((overlay, overlay_text(plan)), (jobs, jobs_text(plan, overlay, variants))):
        if not path.exists():
            yield WriteFile(seen_from_plan(plan, path), text)
        elif text_of(path) != text:
            message = "this file exists already, with other content"
            hint = "move it away, or undo the cull that wrote it"
            raise ResourceError(Problem(message, file=shown_path(path), hint=hint, code=Code.FILE_EXISTS))


def text_of(path: Path) -> str:
    """A file's text to the byte, with its line endings. Raises ResourceError."""
    try:
        return path.read_bytes().decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        message = f"the file cannot be read ({reason(error)})"
        raise ResourceError(Problem(message, file=shown_path(path), code=Code.CANNOT_READ)) from error


def retired_text(text: str, year: int, successor: str | None) -> str:
    """A preset's text with its new status in lines after the version's; all other lines stay as written."""
    mark, text = (BOM, text[1:]) if text.startswith(BOM) else ("", text)
    known = positions(text)
    lines = re.findall(r"[^\n]*\n|[^\n]+", text)  # TOML's line endings only; splitlines() splits at others, too
    head = known.get(("grammar",), known.get(("preset",), (1, 1)))[0] - 1
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


def _differs_in_status_alone(before: str, after: str) -> bool:
    """Whether two texts, parsed as TOML, differ in the status alone."""
    try:
        was, now = (tomllib.loads(text.removeprefix(BOM)) for text in (before, after))
    except tomllib.TOMLDecodeError:
        return False
    return {key: value for key, value in was.items() if key not in STATUS} == {
        key: value for key, value in now.items() if key not in STATUS
    }
