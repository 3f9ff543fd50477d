"""Reads the plan of a cull, a decision for each preset, and checks it against the libraries."""

from __future__ import annotations

import glob
import os
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from pydantic import Field, ValidationError

from chainrun import toml_file
from chainrun.contract import StrictModel, Version
from chainrun.errors import Problem, RecipeError, nearest, shown, shown_path
from chainrun.library.shelf import Shelf
from chainrun.problem_codes import Code
from chainrun.recipe.load import problems_of_toml
from chainrun.recipe.locate import Position, nearest_position, positions
from chainrun.recipe.redirects import apply, find
from chainrun.recipe.renamed import FileKind
from chainrun.recipe.tables import KeyPath, Place, plain, wrap
from chainrun.whole_file import read_text

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

MAX_RESIDUAL_LU = -20.0
MAX_LEVEL_CHANGE_LU = 1.0


class Decision(StrictModel):
    """A decision about one preset."""

    name: str = Field(min_length=1, max_length=200, description="the preset")
    decision: Literal["keep", "retire", "replace"] = Field(description="keep it, retire it, or replace it")
    by: str | None = Field(None, description="with replace: its successor; with retire: a successor to suggest")


class CullFile(StrictModel):
    """The decisions of a cull: which presets stay, which are retired, and which replace them."""

    grammar: Version = Field(description="version of the grammar")
    year: int = Field(ge=1900, le=3000, description="year of the cull; names the overlay")
    presets_dirs: list[str] = Field(min_length=1, description="preset libraries, relative to this file")
    recipes: list[str] = Field(default_factory=list, description="recipes, as patterns relative to this file")
    max_residual_lu: float = Field(MAX_RESIDUAL_LU, description="`cull try` flags recipes with a larger residual")
    max_level_change_lu: float = Field(
        MAX_LEVEL_CHANGE_LU, ge=0, description="`cull try` flags recipes whose loudness changes by more"
    )
    preset: list[Decision] = Field(default_factory=list, max_length=10000, description="the decisions")


@dataclass(frozen=True)
class CullPlan:
    """A plan that was read, with absolute paths."""

    path: Path
    file: CullFile
    folders: tuple[Path, ...]
    """Folders of the preset libraries."""
    patterns: tuple[str, ...]
    """Patterns of the recipes, relative to the working folder."""
    earlier: Mapping[str, str] = field(default_factory=dict)
    """Replacements of earlier years' culls."""

    def of(self, word: str) -> list[Decision]:
        """Decisions of one kind: keep, retire or replace."""
        return [one for one in self.file.preset if one.decision == word]

    def replacements(self) -> dict[str, str]:
        """The table `[replace_presets]`: this cull's replacements, and earlier ones followed to the current preset."""
        now = {one.name: one.by for one in self.of("replace") if one.by is not None}
        found = {old: _way(new, now)[-1] for old, new in self.earlier.items() if old not in now}
        return {old: new for old, new in found.items() if old != new} | now


def seen_from(folder: Path, path: Path) -> str:
    """A path relative to a folder, so that both can be moved together and the text names no folder of the machine."""
    return Path(os.path.relpath(path, folder)).as_posix()


@dataclass(frozen=True)
class _Where:
    """Finds the line of a key in a plan's file."""

    path: Path
    positions: dict[KeyPath, Position]

    def problem(self, problem: Problem, key: KeyPath = ()) -> Problem:
        """The problem with file, line, column and key."""
        line, column = nearest_position(self.positions, key) or (None, None)
        return replace(problem, file=shown_path(self.path), line=line, column=column, key=".".join(map(str, key)))


def read_plan(path: Path) -> CullPlan:
    """Read a plan and check it against the libraries. Raises RecipeError, with each problem's line in the plan."""
    here: dict[KeyPath, Position] = {}
    where = _Where(path, here)
    try:
        text = read_text(path)
        data = toml_file.parse(text)
        here |= positions(text)
        located = wrap(data, Place(path))
        apply(find(located, FileKind.CULL))
        file = CullFile.model_validate(plain(located))
    except (OSError, UnicodeDecodeError) as error:
        message = f"the plan cannot be read ({getattr(error, 'strerror', None) or error})"
        raise RecipeError(where.problem(Problem(message, code=Code.CANNOT_READ))) from error
    except tomllib.TOMLDecodeError as error:
        raise RecipeError(problems_of_toml(path, text, error)) from error
    except ValidationError as error:
        raise RecipeError([where.problem(_invalid(one), tuple(one["loc"])) for one in error.errors()]) from error
    folders = tuple((path.parent / one).resolve() for one in file.presets_dirs)
    missing = [
        where.problem(
            Problem(
                "there is no such preset library",
                given=shown(one),
                hint="a folder, relative to this file",
                code=Code.FOLDER_NOT_FOUND,
            ),
            ("presets_dirs", i),
        )
        for i, (one, folder) in enumerate(zip(file.presets_dirs, folders, strict=True))
        if not folder.is_dir()
    ]
    if missing:
        raise RecipeError(missing)
    base = glob.escape(str(path.parent))
    plan = CullPlan(path, file, folders, tuple(f"{base}/{one}" for one in file.recipes), _earlier(path, file.year))
    wrong = [where.problem(one, key) for one, key in _wrong(plan, Shelf(folders))]
    if wrong:
        raise RecipeError(list({(one.code, one.facts, one.line): one for one in wrong}.values()))
    return plan


def _invalid(error: ErrorDetails) -> Problem:
    """The problem of an invalid key or value, with a hint for common mistakes."""
    hint = None
    if error["type"] == "extra_forbidden":
        hint = nearest(str(error["loc"][-1]), [*CullFile.model_fields, *Decision.model_fields])
    elif error["type"] in ("int_type", "float_type"):
        hint = "a number, without quotes"
    return Problem(error["msg"], given=shown(error["input"]), hint=hint, code=Code.BAD_VALUE)


def _earlier(path: Path, year: int) -> dict[str, str]:
    """Replacements in the overlays of earlier culls beside the plan; later ones take precedence."""
    found: dict[str, str] = {}
    overlays = sorted(path.parent.glob("[12][0-9][0-9][0-9].overlay.toml"))
    for overlay in overlays:
        if int(overlay.name[:4]) >= year:
            continue
        try:
            table = toml_file.read(overlay).get("replace_presets", {})
        except (OSError, ValueError):
            continue
        if isinstance(table, dict):
            found |= {old: new for old, new in table.items() if isinstance(new, str)}
    return {old: _way(new, found)[-1] for old, new in found.items()}


def _wrong(plan: CullPlan, shelf: Shelf) -> Iterator[tuple[Problem, KeyPath]]:
    """Contradictions between a plan and its libraries, each with its key in the plan."""
    names = [one.name for one in plan.file.preset]
    for i, one in enumerate(plan.file.preset):
        at: KeyPath = ("preset", i)
        about = (("preset", one.name),)
        if names.count(one.name) > 1:
            message, hint = f"{one.name} is decided twice", "remove one of the two decisions"
            yield Problem(message, hint=hint, code=Code.STANDS_TWICE, facts=about), (*at, "name")
        preset = shelf.presets.get(one.name)
        if preset is None:
            message, near = f"there is no preset {one.name}", nearest(one.name, shelf.presets)
            yield Problem(message, hint=near, code=Code.UNKNOWN_PRESET, facts=about), (*at, "name")
        elif preset.status == "retired":
            continue  # applied already
        if one.decision != "keep" and one.name in shelf.hidden:
            both = " and ".join(shown_path(file) for file in shelf.hidden[one.name])
            message = f"{one.name} is in two libraries: {both}"
            hint = "rename one of them (with the old name under `was`), or cull one library at a time"
            yield Problem(message, hint=hint, code=Code.AMBIGUOUS_PRESET, facts=about), (*at, "name")
        if one.decision == "replace" and one.by is None:
            message, hint = f"{one.name}: replace needs `by`", 'by = "a/preset"'
            yield Problem(message, hint=hint, code=Code.MISSING_KEY, facts=about), at
        if one.by is not None and (wrong := _wrong_successor(plan, shelf, one, one.by)) is not None:
            yield replace(wrong, facts=(*about, ("by", one.by))), (*at, "by")


def _wrong_successor(plan: CullPlan, shelf: Shelf, one: Decision, by: str) -> Problem | None:
    """The problem of a successor that cannot replace a preset; None if it can."""
    if by not in shelf.presets:
        message = f"{one.name}: there is no preset {by} to replace it"
        return Problem(message, hint=nearest(by, shelf.presets), code=Code.UNKNOWN_PRESET)
    if shelf.presets[by].status == "retired":
        successor_of_it = shelf.presets[by].replaced_by
        hint = f"its own successor is {successor_of_it}" if successor_of_it else "presets list shows current presets"
        message = f"{one.name}: {by} is retired itself, and cannot replace it"
        return Problem(message, hint=hint, code=Code.SUCCESSOR_RETIRED)
    if any(other.name == by and other.decision != "keep" for other in plan.file.preset):
        successor = {other.name: other.by for other in plan.of("replace") if other.by is not None}
        message = f"{one.name}: its successor is culled, too: {' -> '.join(_way(one.name, successor))}"
        return Problem(message, hint="keep one of them", code=Code.SUCCESSOR_CULLED)
    if one.decision == "replace" and (inside := shelf.holds(by, one.name)):
        message = f"{one.name}: its successor contains it, and would contain itself: {' -> '.join(inside)}"
        return Problem(message, hint="retire it instead", code=Code.SUCCESSOR_HOLDS_IT)
    return None


def _way(name: str, successor: Mapping[str, str]) -> list[str]:
    way = [name]
    while way[-1] in successor and len(way) < 20:
        way.append(successor[way[-1]])
        if way[-1] in way[:-1]:
            break
    return way
