"""Proposals for a cull: for every preset what is known of it, and a decision, in a file that a person edits."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from chainrun.cull.plan import MAX_LEVEL_LU, MAX_RESIDUAL_LU, Decision, seen_from
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
"""A preset that nobody uses is not retired before it is so old."""
ORDER = {"replace": 0, "retire": 1, "keep": 2}


@dataclass(frozen=True)
class Proposal:
    """A proposed decision about one preset, and its reasons as lines."""

    decision: Decision
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class Proposals:
    """A proposal for each preset that is not retired yet, and where they come from."""

    year: int
    libraries: tuple[Path, ...]
    recipes: tuple[str, ...]
    """Globs or paths, as seen from the working folder."""
    proposals: tuple[Proposal, ...]
    unreadable: Mapping[Path, str]
    """Recipes that are not valid: what they use is not known."""

    def count(self, word: str) -> int:
        """How many presets are to be kept, retired or replaced."""
        return sum(one.decision.decision == word for one in self.proposals)

    def write(self, path: Path) -> None:
        """Write the plan, with libraries and recipes as seen from it.

        Raises UsageError as `refuse_plan_path` does, ResourceError where the file cannot be written.
        """
        refuse_plan_path(path)
        write_whole(path, plan_text(self, path.resolve().parent))


def refuse_plan_path(path: Path) -> None:
    """Raise UsageError where a plan may not be written: over another file, or under a name but NAME.cull.toml."""
    if path.exists():
        message = "there is such a file already, and a plan that was edited is not written over"
        raise UsageError(Problem(message, given=str(path), code=Code.FILE_EXISTS))
    if not path.name.endswith(ENDING):
        hint = f"{path.stem}{ENDING}"
        raise UsageError(
            Problem("a plan is called NAME.cull.toml", given=path.name, hint=hint, code=Code.WRONG_FILE_NAME)
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
    """Propose what to keep, retire or replace, from what presets do to test signals and where recipes use them.

    `recipes` are globs or paths, `year` that of the cull (else this one). `store` keeps profiles and shares; with
    `render_shares` each use is rendered with and without it. No file is changed: see `Proposals.write`. Raises
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
    """A decision for each preset that is not retired yet, with its reasons; replacements first."""
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
            why = f"not known to be used; {n} recipe{'s' if n != 1 else ''} could not be read"
        elif not uses and name not in inside | keepers and old:
            decision, why = (
                Decision(name=name, decision="retire"),
                "no recipe uses it, and it had two years; cost: none",
            )
        else:
            decision = Decision(name=name, decision="keep")
            why = _why_kept(name, near, used=bool(uses), keeper=name in keepers)
        found.append(Proposal(decision, (*_facts(preset, used, near, year, shares), f"why: {why}")))
    return sorted(found, key=lambda one: (ORDER[one.decision.decision], one.decision.name))


def _successors(shelf: Shelf, used: Usage, near: Sequence[Apart]) -> tuple[dict[str, str], set[str]]:
    """Which preset takes the place of which, in groups that are alike; and those that are kept for it."""
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
    softer = pair.gain_db if pair.one == name else -pair.gain_db
    return (
        f"{by} does nearly the same, and is used more or newer; cost: {recipes} "
        f"recipe{'s' if recipes != 1 else ''} to move, by about {pair.residual_lu:.0f} LU on the test signals"
        + (f" once matched in level: {by} is {-softer:+.1f} dB there" if abs(softer) >= 0.1 else "")
    )


def _why_kept(name: str, near: Sequence[Apart], *, used: bool, keeper: bool) -> str:
    if not (used or keeper):
        return "new, or inside another preset"
    twin = any(one.alike and name in (one.one, one.other) for one in near)
    word = "kept in place of what does nearly the same" if twin else "and nothing else does the same"
    return f"{'in use, ' if used else ''}{word}"


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
    measured = [shares[use] for use in uses if use in shares]
    if measured:
        loudest = max(measured, key=lambda one: one.residual_lu)
        lines.append(
            f"audible share: bypassed, a mix of it changes by {loudest.loudness_lu:+.1f} LU, "
            f"with a residual of {loudest.residual_lu:.0f} LU"
        )
    return lines


def plan_text(found: Proposals, folder: Path) -> str:
    """The plan as a file in `folder`, for a person."""
    libraries = [seen_from(folder, one.resolve()) for one in found.libraries]
    recipes = [seen_from(folder, Path(pattern).absolute()) for pattern in found.recipes]
    lines = []
    if found.unreadable:
        n = len(found.unreadable)
        lines.append(
            f"# NOT READ: {n} recipe{'s' if n != 1 else ''}. What they use is not known, and nothing is proposed"
        )
        lines.append("# to be retired for lack of use. Mend them, and make the plan anew:")
        lines += [f"#   {printable(one)}" for why in found.unreadable.values() for one in why.split("\n")[:1]]
    lines += [
        "# A cull of presets: proposals, for you to change. Nothing happens before `chainrun cull apply`.",
        "# keep: stays. retire: moves to retired/; recipes that use it still render as before, with a notice.",
        "# replace: retired, and the overlay of this year puts `by` in its place.",
        "grammar = 1",
        f"year = {found.year}",
        f"presets_dirs = {toml_text(libraries)}",
        f"recipes = {toml_text(recipes)}",
        f"max_residual_lu = {MAX_RESIDUAL_LU}  # `cull try` flags recipes that move by more, matched in level",
        f"max_level_change_lu = {MAX_LEVEL_LU}  # or get louder or softer by more",
    ]
    for one in found.proposals:
        decision = one.decision
        lines += ["", "[[preset]]"]
        lines += [f"# {printable(reason)}" for reason in one.reasons]
        lines += [f"name = {toml_text(decision.name)}", f"decision = {toml_text(decision.decision)}"]
        if decision.by is not None:
            lines.append(f"by = {toml_text(decision.by)}")
    return "\n".join(lines) + "\n"
