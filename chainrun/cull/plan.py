"""The plan of a cull: for every preset what is known of it, and a proposed decision, in a file that a person edits."""

from __future__ import annotations

import glob
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, ValidationError

from chainrun import toml_file
from chainrun.contract import StrictModel, Version
from chainrun.errors import Problem, RecipeError, nearest, printable, shown, shown_path
from chainrun.library.alike import Apart, clusters, keeper
from chainrun.library.shares import Share
from chainrun.library.shelf import Preset, Shelf
from chainrun.library.usage import Usage, UseAt, names_of
from chainrun.recipe.locate import Position, nearest_position, positions
from chainrun.recipe.tables import KeyPath
from chainrun.recipe.toml_text import toml_text
from chainrun.whole_file import read_text

MAX_RESIDUAL_LU = -20.0
MAX_LEVEL_LU = 1.0


class Decision(StrictModel):
    """What becomes of one preset."""

    name: str = Field(min_length=1, max_length=200, description="the preset")
    decision: Literal["keep", "retire", "replace"] = Field(description="what becomes of it")
    by: str | None = Field(None, description="of replace: its successor; of retire: advice")


class CullFile(StrictModel):
    """A cull's plan."""

    cull: Version = Field(description="version of this file's grammar")
    year: int = Field(ge=1900, le=3000, description="the year that the overlay is called by")
    presets_dirs: list[str] = Field(min_length=1, description="the libraries, as seen from this file")
    recipes: list[str] = Field(default_factory=list, description="globs of the recipes, as seen from this file")
    max_residual_lu: float = Field(MAX_RESIDUAL_LU, description="a recipe that moves by more is flagged by try")
    max_level_lu: float = Field(MAX_LEVEL_LU, ge=0, description="a recipe whose loudness moves by more is flagged, too")
    preset: list[Decision] = Field(default_factory=list, max_length=10000, description="the decisions")


@dataclass(frozen=True)
class CullPlan:
    """A plan that was read, with its paths made whole."""

    path: Path
    file: CullFile
    folders: list[Path]
    patterns: list[str]
    earlier: Mapping[str, str] = field(default_factory=dict)
    """What culls of earlier years replaced."""

    def of(self, word: str) -> list[Decision]:
        """Decisions of one kind."""
        return [one for one in self.file.preset if one.decision == word]

    def replacements(self) -> dict[str, str]:
        """What `[replace_presets]` will say: this cull's decisions, and those of earlier years up to what is left."""
        now = {one.name: one.by for one in self.of("replace") if one.by is not None}
        found = {old: _way(new, now)[-1] for old, new in self.earlier.items() if old not in now}
        return {old: new for old, new in found.items() if old != new} | now


def read_plan(path: Path) -> CullPlan:
    """Read a plan, and hold it against the libraries. Raises RecipeError."""
    here: dict[KeyPath, Position] = {}

    def problem(message: str, key: KeyPath = (), hint: str | None = None, given: str | None = None) -> Problem:
        line, column = nearest_position(here, key) or (None, None)
        dotted = ".".join(map(str, key))
        return Problem(message, file=shown_path(path), line=line, column=column, key=dotted, hint=hint, given=given)

    try:
        text = read_text(path)
        data = toml_file.parse(text)
        here = positions(text)
        file = CullFile.model_validate(data)
    except (OSError, UnicodeDecodeError) as error:
        raise RecipeError(problem(f"the plan cannot be read ({getattr(error, 'strerror', None) or error})")) from error
    except tomllib.TOMLDecodeError as error:
        raise RecipeError(problem(f"this is not TOML: {error}")) from error
    except ValidationError as error:
        raise RecipeError(
            [problem(one["msg"], tuple(one["loc"]), _hint(one), shown(one["input"])) for one in error.errors()]
        ) from error
    folders = [(path.parent / one).resolve() for one in file.presets_dirs]
    missing = [
        problem("there is no such preset library", ("presets_dirs", i), "a folder, as seen from this file", shown(one))
        for i, (one, folder) in enumerate(zip(file.presets_dirs, folders, strict=True))
        if not folder.is_dir()
    ]
    if missing:
        raise RecipeError(missing)
    base = glob.escape(str(path.parent))
    plan = CullPlan(path, file, folders, [f"{base}/{one}" for one in file.recipes], _earlier(path, file.year))
    found = list(_wrong(plan, Shelf(folders), problem))
    if found:
        raise RecipeError(list({(one.message, one.line): one for one in found}.values()))
    return plan


def _hint(error: Any) -> str | None:
    """What to write instead, for the usual mistakes."""
    if error["type"] == "extra_forbidden":
        return nearest(str(error["loc"][-1]), [*CullFile.model_fields, *Decision.model_fields])
    return "a number, without quotes" if error["type"] in ("int_type", "float_type") else None


def _earlier(path: Path, year: int) -> dict[str, str]:
    """What the overlays of earlier culls beside the plan replace, the newest word last."""
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


def _wrong(plan: CullPlan, shelf: Shelf, problem: Callable[..., Problem]) -> Iterator[Problem]:
    """What of a plan does not go with its libraries."""
    names = [one.name for one in plan.file.preset]
    successor = {one.name: one.by for one in plan.of("replace") if one.by is not None}
    gone = {one.name for one in plan.file.preset if one.decision != "keep"}
    for i, one in enumerate(plan.file.preset):
        at: KeyPath = ("preset", i)
        if names.count(one.name) > 1:
            yield problem(f"{one.name} is decided twice", (*at, "name"), "leave one of them out")
        preset = shelf.presets.get(one.name)
        if preset is None:
            yield problem(f"there is no preset {one.name}", (*at, "name"), nearest(one.name, shelf.presets))
        elif preset.status == "retired":
            continue  # carried out already
        if one.decision != "keep" and one.name in shelf.hidden:
            both = " and ".join(shown_path(file) for file in shelf.hidden[one.name])
            hint = "rename one of them (with the old name under `was`), or cull one library at a time"
            yield problem(f"{one.name} lies in two libraries: {both}", (*at, "name"), hint)
        if one.decision == "replace" and one.by is None:
            yield problem(f"{one.name}: replace needs `by`", at, 'by = "a/preset"')
        if one.by is None:
            continue
        by = (*at, "by")
        if one.by not in shelf.presets:
            yield problem(
                f"{one.name}: there is no preset {one.by} to take its place", by, nearest(one.by, shelf.presets)
            )
        elif shelf.presets[one.by].status == "retired":
            told = shelf.presets[one.by].replaced_by
            hint = f"its own successor is {told}" if told else "presets list shows what is current"
            yield problem(f"{one.name}: {one.by} is retired itself, and cannot take its place", by, hint)
        elif one.by in gone:
            way = " -> ".join(_way(one.name, successor))
            yield problem(f"{one.name}: its successor is culled, too: {way}", by, "keep one of them")
        elif one.decision == "replace" and (inside := shelf.holds(one.by, one.name)):
            way = " -> ".join(inside)
            yield problem(f"{one.name}: its successor holds it, and would hold itself: {way}", by, "retire it instead")


def _way(name: str, successor: Mapping[str, str]) -> list[str]:
    way = [name]
    while way[-1] in successor and len(way) < 20:
        way.append(successor[way[-1]])
        if way[-1] in way[:-1]:
            break
    return way


def propose(
    shelf: Shelf, used: Usage, near: Sequence[Apart], year: int, shares: Mapping[UseAt, Share]
) -> list[tuple[Decision, list[str]]]:
    """A decision for each preset that is not retired yet, with its reasons as lines."""
    successors: dict[str, str] = {}
    keepers: set[str] = set()
    for group in clusters(near):
        living = [name for name in group if shelf.presets[name].status == "current"]
        if len(living) > 1:
            best = keeper(living, shelf, used)
            mine = {name: best for name in living if name != best and not shelf.holds(best, name)}
            successors |= mine
            keepers |= {best} if mine else set()
    inside = {inner for preset in shelf.presets.values() for inner in preset.uses}
    found = []
    for preset in shelf.presets.values():
        if preset.status == "retired" or (preset.since or 0) > year:
            continue
        uses = used.of(preset.name)
        reasons = _facts(preset, used, near, year, shares)
        if preset.name in successors:
            by = successors[preset.name]
            pair = next(one for one in near if {one.one, one.other} == {preset.name, by})
            recipes = len({use.recipe for use in uses})
            softer = pair.gain_db if pair.one == preset.name else -pair.gain_db
            reasons.append(
                f"why: {by} does nearly the same, and is used more or newer; cost: {recipes} "
                f"recipe{'s' if recipes != 1 else ''} to move, by about {pair.residual_lu:.0f} LU on the test signals"
                + (f" once matched in level: {by} is {-softer:+.1f} dB there" if abs(softer) >= 0.1 else "")
            )
            found.append((Decision(name=preset.name, decision="replace", by=by), reasons))
        elif used.unreadable and not uses and preset.name not in keepers:
            n = len(used.unreadable)
            reasons.append(f"why: not known to be used; {n} recipe{'s' if n != 1 else ''} could not be read")
            found.append((Decision(name=preset.name, decision="keep"), reasons))
        elif not uses and preset.name not in inside | keepers and preset.since is not None and preset.since < year - 1:
            reasons.append("why: no recipe uses it, and it had two years; cost: none")
            found.append((Decision(name=preset.name, decision="retire"), reasons))
        else:
            twin = any(one.alike and preset.name in (one.one, one.other) for one in near)
            used_word = "kept in place of what does nearly the same" if twin else "and nothing else does the same"
            in_use = "in use, " if uses else ""
            kept = bool(uses) or preset.name in keepers
            reasons.append(f"why: {in_use}{used_word}" if kept else "why: new, or inside another preset")
            found.append((Decision(name=preset.name, decision="keep"), reasons))
    order = {"replace": 0, "retire": 1, "keep": 2}
    return sorted(found, key=lambda one: (order[one[0].decision], one[0].name))


def _facts(preset: Preset, used: Usage, near: Sequence[Apart], year: int, shares: Mapping[UseAt, Share]) -> list[str]:
    uses = used.of(preset.name)
    told = names_of(used.recipes)
    recipes = sorted({told[use.recipe] + (f" ({use.variant})" if use.variant else "") for use in uses})
    shown = ", ".join(recipes[:4]) + (" …" if len(recipes) > 4 else "")
    years = year - (preset.since or year)
    age = f"since {preset.since} ({years} year{'s' if years != 1 else ''})" if preset.since else "of unknown age"
    nowhere = "used nowhere" if not used.unreadable else "used in no recipe that could be read"
    times = {0: nowhere, 1: f"used once, in {shown}"}.get(
        len(uses), f"used {len(uses)} times in {len(recipes)} recipes: {shown}"
    )
    lines = [f"{age}; {times}"]
    changed = sorted({key for use in uses for key in use.changes})
    if changed:
        lines.append(f"changed where it is used: {', '.join(changed[:6])}")
    alike = [one for one in near if one.alike and preset.name in (one.one, one.other)]
    for one in alike[:3]:
        other = one.other if one.one == preset.name else one.one
        stem = f"; {one.stem_lu:.0f} LU on a stem of theirs" if one.stem_lu is not None else ""
        lines.append(
            f"alike: {other} ({one.residual_lu:.0f} LU at worst, on {one.worst}; response within "
            f"{one.response_db:.1f} dB{stem})"
        )
    heard = [shares[use] for use in uses if use in shares]
    if heard:
        most = max(heard, key=lambda one: one.residual_lu)
        lines.append(
            f"audible share: bypassed, a mix of it changes by {most.loudness_lu:+.1f} LU, "
            f"with a residual of {most.residual_lu:.0f} LU"
        )
    return lines


def plan_text(
    decisions: Sequence[tuple[Decision, list[str]]],
    year: int,
    presets_dirs: Sequence[str],
    recipes: Sequence[str],
    unreadable: Mapping[Path, str] | None = None,
) -> str:
    """The plan as a file for a person."""
    lines = []
    if unreadable:
        n = len(unreadable)
        lines.append(
            f"# NOT READ: {n} recipe{'s' if n != 1 else ''}. What they use is not known, and nothing is proposed"
        )
        lines.append("# to be retired for lack of use. Mend them, and make the plan anew:")
        lines += [f"#   {printable(one)}" for why in unreadable.values() for one in why.split("\n")[:1]]
    lines += [
        "# A cull of presets: proposals, for you to change. Nothing happens before `chainrun cull apply`.",
        "# keep: stays. retire: moves to retired/; recipes that use it still render as before, with a notice.",
        "# replace: retired, and the overlay of this year puts `by` in its place.",
        "cull = 1",
        f"year = {year}",
        f"presets_dirs = {toml_text(list(presets_dirs))}",
        f"recipes = {toml_text(list(recipes))}",
        f"max_residual_lu = {MAX_RESIDUAL_LU}  # `cull try` flags recipes that move by more, matched in level",
        f"max_level_lu = {MAX_LEVEL_LU}  # or get louder or softer by more",
    ]
    for decision, reasons in decisions:
        lines += ["", "[[preset]]"]
        lines += [f"# {printable(reason)}" for reason in reasons]
        lines += [f"name = {toml_text(decision.name)}", f"decision = {toml_text(decision.decision)}"]
        if decision.by is not None:
            lines.append(f"by = {toml_text(decision.by)}")
    return "\n".join(lines) + "\n"
