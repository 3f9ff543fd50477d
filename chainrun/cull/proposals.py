"""Proposes a cull: a decision for every preset with reasons, in a file for a person to edit."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from chainrun.cull.plan import MAX_LEVEL_CHANGE_LU, MAX_RESIDUAL_LU, Decision, seen_from
from chainrun.errors import Problem, UsageError, printable
from chainrun.library.alike import Apart, clusters, keeper, on_stems, pairs, profiles
from chainrun.library.progress import Progress
from chainrun.library.queries import EVERY_RECIPE, shares_of
from chainrun.library.shares import BypassShare
from chainrun.library.shelf import Preset, Shelf
from chainrun.library.usage import Usage, UseAt, names_of, recipe_files, usage
from chainrun.problem_codes import Code
from chainrun.recipe.toml_text import toml_text
from chainrun.whole_file import write_whole

ENDING = ".cull.toml"
GRACE_YEARS = 2
"""Minimum age of an unused preset for it to be retired."""
ORDER = {"replace": 0, "retire": 1, "keep": 2}


@dataclass(frozen=True)
class Proposal:
    """A proposed decision about one preset, with reasons as lines of text."""

    decision: Decision
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class Proposals:
    """Proposals for all presets that are not retired yet, with their libraries and recipes."""

    year: int
    libraries: tuple[Path, ...]
    recipes: tuple[str, ...]
    """Patterns or paths, relative to the working folder."""
    proposals: tuple[Proposal, ...]
    unreadable: Mapping[Path, str]
    """Recipes that are not valid, so that their uses are unknown."""

    def count(self, word: str) -> int:
        """Number of presets proposed to keep, retire or replace."""
        return sum(one.decision.decision == word for one in self.proposals)

    def write(self, path: Path) -> None:
        """Write the plan, with libraries and recipes relative to it.

        Raises UsageError as `refuse_plan_path` does, ResourceError if the file cannot be written.
        """
        refuse_plan_path(path)
        write_whole(path, plan_text(self, path.resolve().parent))


def refuse_plan_path(path: Path) -> None:
    """Raise UsageError for a path at which a plan may not be written: an existing file, or not NAME.cull.toml."""
    if path.exists():
        message = "this file exists already; a plan is never overwritten, since it may have been edited"
        raise UsageError(Problem(message, given=str(path), code=Code.FILE_EXISTS))
    if not path.name.endswith(ENDING):
        hint = f"{path.stem}{ENDING}"
        raise UsageError(
            Problem("a plan must be called NAME.cull.toml", given=path.name, hint=hint, code=Code.WRONG_FILE_NAME)
        )


def plan_cull(
    libraries: Sequence[Path],
    recipes: Sequence[str] = EVERY_RECIPE,
    *,
    year: int | None = None,
    store: Path | None = None,
    render_shares: bool = False,
    progress: Progress | None = None,
    allow_roots: Sequence[Path] = (),
) -> Proposals:
    """Propose which presets to keep, retire or replace, from their sound on test signals and their uses in recipes.

    `recipes` are patterns or paths, `year` that of the cull (default: this year). `store` keeps profiles and shares;
    with `render_shares` each use is rendered with and without it. Changes no file: see `Proposals.write`. Raises
    UsageError for a pattern without recipes, RecipeError for a library that is not valid, ResourceError.
    """
    reporter = progress or Progress()
    shelf = Shelf(libraries, allow_roots)
    known = usage(recipe_files(recipes), allow_roots)
    reporter.unreadable(known.unreadable)
    living = [name for name, preset in shelf.presets.items() if preset.status == "current"]
    near = on_stems(shelf, pairs(profiles(shelf, living, store, reporter)), known)
    reporter.done()
    shares = shares_of([use for use in known.uses if not use.inherited], store, render=render_shares)
    this = year or datetime.date.today().year
    found = propose(shelf, known, near, this, shares)
    return Proposals(this, tuple(libraries), tuple(recipes), tuple(found), known.unreadable)


def propose(
    shelf: Shelf, used: Usage, near: Sequence[Apart], year: int, shares: Mapping[UseAt, BypassShare]
) -> list[Proposal]:
    """Proposals for each preset that is not retired yet, replacements first."""
    successors, keepers = _successors(shelf, used, near)
    inside = {inner for preset in shelf.presets.values() for inner in preset.uses}
    found = []
    for preset in shelf.presets.values():
        if preset.status == "retired" or (preset.since or 0) > year:
            continue
        name, uses = preset.name, used.of(preset.name)
        old = preset.since is not None and preset.since <= year - GRACE_YEARS
        if name in successors:
            decision = Decision(name=name, decision="replace", by=successors[name])
            why = _why_replaced(name, successors[name], near, uses)
        elif used.unreadable and not uses and name not in keepers:
            decision, n = Decision(name=name, decision="keep"), len(used.unreadable)
            why = f"no known use, but {n} recipe{'s' if n != 1 else ''} could not be read"
        elif not uses and name not in inside | keepers and old:
            decision, why = (
                Decision(name=name, decision="retire"),
                f"no recipe uses it, and it is at least {GRACE_YEARS} years old; cost: none",
            )
        else:
            decision = Decision(name=name, decision="keep")
            why = _why_kept(name, near, used=bool(uses), keeper=name in keepers)
        found.append(Proposal(decision, (*_facts(preset, used, near, year, shares), f"why: {why}")))
    return sorted(found, key=lambda one: (ORDER[one.decision.decision], one.decision.name))


def _successors(shelf: Shelf, used: Usage, near: Sequence[Apart]) -> tuple[dict[str, str], set[str]]:
    """Successors of presets in groups that are alike, and the presets that are kept as successors."""
    successors: dict[str, str] = {}
    keepers: set[str] = set()
    for group in clusters(near):
        living = [name for name in group if shelf.presets[name].status == "current"]
        if len(living) > 1:
            best = keeper(living, shelf, used)
            mine = {name: best for name in living if name != best and not shelf.holds(best, name)}
            successors |= mine
            keepers |= {best} if mine else set()
    return successors, keepers


def _why_replaced(name: str, by: str, near: Sequence[Apart], uses: Sequence[UseAt]) -> str:
    pair = next(one for one in near if {one.one, one.other} == {name, by})
    recipes = len({use.recipe for use in uses})
    gain_db = pair.gain_db or 0.0
    louder_db = -gain_db if pair.one == name else gain_db
    return (
        f"{by} sounds nearly the same, and is used more or is newer; cost: {recipes} "
        f"recipe{'s' if recipes != 1 else ''} changed, residual about {pair.residual_lu:.1f} LU on test signals"
        + (f" after matching the level ({by} is {louder_db:+.1f} dB)" if abs(louder_db) >= 0.1 else "")
    )


def _why_kept(name: str, near: Sequence[Apart], *, used: bool, keeper: bool) -> str:
    if not (used or keeper):
        return "new, or used inside another preset"
    twin = any(one.alike and name in (one.one, one.other) for one in near)
    word = "successor of presets that sound nearly the same" if twin else "no other preset sounds the same"
    return f"{'in use; ' if used else ''}{word}"


def _facts(
    preset: Preset, used: Usage, near: Sequence[Apart], year: int, shares: Mapping[UseAt, BypassShare]
) -> list[str]:
    uses = used.of(preset.name)
    labels = names_of(used.recipes)
    recipes = sorted({labels[use.recipe] + (f" ({use.variant})" if use.variant else "") for use in uses})
    shown = ", ".join(recipes[:4]) + (" …" if len(recipes) > 4 else "")
    years = year - (preset.since or year)
    age = f"since {preset.since} ({years} year{'s' if years != 1 else ''})" if preset.since else "of unknown age"
    nowhere = "used nowhere" if not used.unreadable else "used in no recipe that could be read"
    times = {0: nowhere, 1: f"used once, in {shown}"}.get(
        len(uses), f"used {len(uses)} times in {len(recipes)} recipe{'s' if len(recipes) != 1 else ''}: {shown}"
    )
    lines = [f"{age}; {times}"]
    changed = sorted({key for use in uses for key in use.changes})
    if changed:
        lines.append(f"values changed by recipes: {', '.join(changed[:6])}")
    alike = [one for one in near if one.alike and preset.name in (one.one, one.other)]
    for one in alike[:3]:
        other = one.other if one.one == preset.name else one.one
        stem = f"; residual {one.stem_residual_lu:.1f} LU on a stem" if one.stem_residual_lu is not None else ""
        stem = f"; not compared on a stem: {one.stem_reason}" if one.stem_reason is not None else stem
        lines.append(
            f"alike: {other} (residual at most {one.residual_lu:.1f} LU, on {one.worst}; response within "
            f"{one.response_db:.1f} dB{stem})"
        )
    return lines + _share_lines([shares[use] for use in uses if use in shares])


def _share_lines(shares: Sequence[BypassShare]) -> list[str]:
    """The largest share of a preset in any mix, and reasons for shares that could not be measured."""
    lines = []
    measured = [(one.residual_lu, one) for one in shares if one.residual_lu is not None]
    if measured:
        residual_lu, largest = max(measured, key=lambda pair: pair[0])
        change = largest.loudness_change_lu
        louder = f", loudness {change:+.1f} LU" if change is not None else ""
        lines.append(f"share: bypassing it changes a mix by a residual of up to {residual_lu:.1f} LU{louder}")
    reasons = dict.fromkeys(one.reason for one in shares if one.reason is not None)
    return lines + [f"share -: {reason}" for reason in reasons]


def plan_text(found: Proposals, folder: Path) -> str:
    """The text of the plan's file in `folder`, with comments for the person who edits it."""
    libraries = [seen_from(folder, one.resolve()) for one in found.libraries]
    recipes = [seen_from(folder, Path(pattern).absolute()) for pattern in found.recipes]
    lines = []
    if found.unreadable:
        n = len(found.unreadable)
        lines.append(
            f"# NOT READ: {n} recipe{'s' if n != 1 else ''}. Their uses of presets are unknown, so no preset is"
        )
        lines.append("# proposed to retire for lack of use. Correct them, and make the plan again:")
        lines += [f"#   {printable(one)}" for why in found.unreadable.values() for one in why.split("\n")[:1]]
    lines += [
        "# Proposals for a cull of presets. Edit them; nothing happens before `chainrun cull apply`.",
        "# keep: no change. retire: moves to retired/; recipes that use it render as before, with a warning.",
        "# replace: retires it, and this year's overlay uses the preset `by` instead.",
        "grammar = 1",
        f"year = {found.year}",
        f"presets_dirs = {toml_text(libraries)}",
        f"recipes = {toml_text(recipes)}",
        f"max_residual_lu = {MAX_RESIDUAL_LU}  # `cull try` flags recipes with a larger residual, matched in level",
        f"max_level_change_lu = {MAX_LEVEL_CHANGE_LU}  # and recipes whose loudness changes by more",
    ]
    for one in found.proposals:
        decision = one.decision
        lines += ["", "[[preset]]"]
        lines += [f"# {printable(reason)}" for reason in one.reasons]
        lines += [f"name = {toml_text(decision.name)}", f"decision = {toml_text(decision.decision)}"]
        if decision.by is not None:
            lines.append(f"by = {toml_text(decision.by)}")
    return "\n".join(lines) + "\n"
