"""The plan of a cull: for every preset what is known of it, and a proposed decision, in a file that a person edits."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, ValidationError

from chainrun.contract import StrictModel
from chainrun.cull.alike import Apart, clusters, keeper
from chainrun.cull.library import Preset, Shelf
from chainrun.cull.shares import Share
from chainrun.cull.usage import Usage, UseAt
from chainrun.errors import Problem, RecipeError, nearest, printable, shown_path
from chainrun.recipe.load import recipe_name
from chainrun.recipe.toml_text import toml_text

MAX_RESIDUAL_LU = -20.0


class Decision(StrictModel):
    """What becomes of one preset."""

    name: str = Field(min_length=1, max_length=200, description="the preset")
    decision: Literal["keep", "retire", "replace"] = Field(description="what becomes of it")
    by: str | None = Field(None, description="of replace: its successor; of retire: advice")


class CullFile(StrictModel):
    """A cull's plan."""

    cull: Literal[1] = Field(description="version of this file's grammar")
    year: int = Field(ge=1900, le=3000, description="the year that the overlay is called by")
    presets_dirs: list[str] = Field(min_length=1, description="the libraries, as seen from this file")
    recipes: list[str] = Field(default_factory=list, description="globs of the recipes, as seen from this file")
    max_residual_lu: float = Field(MAX_RESIDUAL_LU, description="a recipe that moves by more is flagged by try")
    preset: list[Decision] = Field(default_factory=list, max_length=10000, description="the decisions")


@dataclass(frozen=True)
class Plan:
    """A plan that was read, with its paths made whole."""

    path: Path
    file: CullFile
    folders: list[Path]
    patterns: list[str]

    def of(self, word: str) -> list[Decision]:
        """Decisions of one kind."""
        return [one for one in self.file.preset if one.decision == word]

    def replacements(self) -> dict[str, str]:
        """What `[replace_presets]` will say."""
        return {one.name: one.by for one in self.of("replace") if one.by is not None}


def read_plan(path: Path) -> Plan:
    """Read a plan, and hold it against the libraries. Raises RecipeError."""

    def refuse(message: str, key: str = "", hint: str | None = None) -> RecipeError:
        return RecipeError(Problem(message, file=shown_path(path), key=key, hint=hint))

    try:
        data = tomllib.loads(path.read_text(encoding="utf-8-sig"))
        file = CullFile.model_validate(data)
    except (OSError, UnicodeDecodeError) as error:
        raise refuse(f"the plan cannot be read ({getattr(error, 'strerror', None) or error})") from error
    except tomllib.TOMLDecodeError as error:
        raise refuse(f"this is not TOML: {error}") from error
    except ValidationError as error:
        raise RecipeError(
            [
                Problem(
                    one["msg"], file=shown_path(path), key=".".join(map(str, one["loc"])), given=str(one["input"])[:60]
                )
                for one in error.errors()
            ]
        ) from error
    folders = [(path.parent / one).resolve() for one in file.presets_dirs]
    plan = Plan(path, file, folders, [str(path.parent / one) for one in file.recipes])
    _check(plan, Shelf(folders), refuse)
    return plan


def _check(plan: Plan, shelf: Shelf, refuse: Any) -> None:
    names = [one.name for one in plan.file.preset]
    problems: list[Problem] = []
    successor = plan.replacements()
    gone = {one.name for one in plan.file.preset if one.decision != "keep"}
    for one in plan.file.preset:
        if names.count(one.name) > 1:
            problems += refuse(f"{one.name} is decided twice", "preset").problems
        if one.name not in shelf.presets:
            problems += refuse(f"there is no preset {one.name}", "preset", nearest(one.name, shelf.presets)).problems
        if one.decision != "keep" and one.name in shelf.hidden:
            both = " and ".join(shown_path(file) for file in shelf.hidden[one.name])
            advice = "rename one of them (with the old name under `was`), or cull one library at a time"
            problems += refuse(f"{one.name} lies in two libraries: {both}", "preset", advice).problems
        if one.decision == "replace" and one.by is None:
            problems += refuse(f"{one.name}: replace needs `by`", "preset").problems
        if one.by is not None and one.by not in shelf.presets:
            hint = nearest(one.by, shelf.presets)
            problems += refuse(f"{one.name}: there is no preset {one.by} to take its place", "preset", hint).problems
        elif one.by is not None and shelf.presets[one.by].status == "retired":
            told = f"{one.name}: {one.by} is retired itself, and cannot take its place"
            problems += refuse(told, "preset", shelf.presets[one.by].replaced_by).problems
        elif one.by is not None and one.by in gone:
            round_trip = " -> ".join(_way(one.name, successor))
            problems += refuse(f"{one.name}: its successor is culled, too: {round_trip}", "preset").problems
    if problems:
        unique = {problem.message: problem for problem in problems}
        raise RecipeError(list(unique.values()))


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
    for group in clusters(near):
        living = [name for name in group if shelf.presets[name].status == "current"]
        if len(living) > 1:
            best = keeper(living, shelf, used)
            successors |= {name: best for name in living if name != best}
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
        elif not uses and preset.name not in inside and preset.since is not None and preset.since < year - 1:
            reasons.append("why: no recipe uses it, and it had two years; cost: none")
            found.append((Decision(name=preset.name, decision="retire"), reasons))
        else:
            reasons.append(
                "why: in use, and nothing else does the same" if uses else "why: new, or inside another preset"
            )
            found.append((Decision(name=preset.name, decision="keep"), reasons))
    order = {"replace": 0, "retire": 1, "keep": 2}
    return sorted(found, key=lambda one: (order[one[0].decision], one[0].name))


def _facts(preset: Preset, used: Usage, near: Sequence[Apart], year: int, shares: Mapping[UseAt, Share]) -> list[str]:
    uses = used.of(preset.name)
    recipes = sorted({recipe_name(use.recipe) + (f" ({use.variant})" if use.variant else "") for use in uses})
    shown = ", ".join(recipes[:4]) + (" …" if len(recipes) > 4 else "")
    age = f"since {preset.since} ({year - preset.since} years)" if preset.since else "of unknown age"
    times = {0: "used nowhere", 1: f"used once, in {shown}"}.get(
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
    decisions: Sequence[tuple[Decision, list[str]]], year: int, presets_dirs: Sequence[str], recipes: Sequence[str]
) -> str:
    """The plan as a file for a person."""
    lines = [
        "# A cull of presets: proposals, for you to change. Nothing happens before `chainrun cull apply`.",
        "# keep: stays. retire: moves to retired/; recipes that use it still render as before, with a notice.",
        "# replace: retired, and the overlay of this year puts `by` in its place.",
        "cull = 1",
        f"year = {year}",
        f"presets_dirs = {toml_text(list(presets_dirs))}",
        f"recipes = {toml_text(list(recipes))}",
        f"max_residual_lu = {MAX_RESIDUAL_LU}  # `cull try` flags recipes that move by more",
    ]
    for decision, reasons in decisions:
        lines += ["", "[[preset]]"]
        lines += [f"# {printable(reason)}" for reason in reasons]
        lines += [f"name = {toml_text(decision.name)}", f"decision = {toml_text(decision.decision)}"]
        if decision.by is not None:
            lines.append(f"by = {toml_text(decision.by)}")
    return "\n".join(lines) + "\n"
