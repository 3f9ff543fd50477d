"""Hints that name options: the library says what could be done, and this module says by which option.

A problem's code and facts alone decide. Each problem goes through `for_command_line` to the screen or into JSON.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace

from chainrun.errors import ChainrunError, Problem
from chainrun.problem_codes import Code


def for_command_line(problem: Problem) -> Problem:
    """The problem with a hint that names the option; unchanged where there is none."""
    change = _WITH_OPTIONS.get(problem.code)
    return change(problem) if change is not None else problem


def all_for_command_line(problems: Iterable[Problem]) -> list[Problem]:
    """Several problems with hints that name options."""
    return [for_command_line(problem) for problem in problems]


def error_for_command_line(error: ChainrunError) -> ChainrunError:
    """An error of the same kind whose problems name the options that solve them."""
    return type(error)(all_for_command_line(error.problems))


def _hint(problem: Problem, hint: str) -> Problem:
    """The problem with another hint, if it has one: where the library gives none, no option helps."""
    return replace(problem, hint=hint) if problem.hint is not None else problem


def _number(problem: Problem, name: str) -> str:
    """A fact that is a number, as text."""
    return f"{float(problem.fact(name) or 0):g}"


def _over_limit(problem: Problem) -> Problem:
    return _hint(problem, f"if you trust it: --limit {problem.fact('limit')}={_number(problem, 'enough')}")


def _unknown_limit(problem: Problem) -> Problem:
    """A word that is far from every limit's name gets the list of limits as its hint."""
    if problem.hint is not None or problem.fact("limit") is not None:
        return problem
    return replace(problem, hint="chainrun explain limits")


def _outside_root(problem: Problem) -> Problem:
    folder = problem.fact("folder_to_allow")
    return _hint(problem, f"--allow-root {folder}") if folder is not None else problem


def _unknown_node(problem: Problem) -> Problem:
    asked_by = problem.fact("asked_by")
    if asked_by is None:
        return problem
    return replace(problem, message=f"{'--only' if asked_by == 'only' else asked_by}: {problem.message}")


_WORD_OF = {"jobs": "--jobs: {}", "stems": "--stems: {}", "reference": "{} for --reference"}
"""Messages for a name that does not exist, by the option that asked for it."""
_VALUE_OF = {
    "target": "--write takes a recipe's file, not a folder",
    "cluster": "--cluster takes local:N or tcp://HOST:PORT",
    "cluster_workers": "--cluster local:N needs a number of workers",
    "shard": "--shard takes K/N",
}
"""Messages for a value that an option does not take, by its meaning."""


def _asked(messages: Mapping[str, str]) -> Callable[[Problem], Problem]:
    """A function that gives a problem another message, by the option that asked; `{}` stands for the old message."""

    def asked(problem: Problem) -> Problem:
        message = messages.get(str(problem.fact("asked_by")))
        return replace(problem, message=message.format(problem.message)) if message is not None else problem

    return asked


def _said(message: str) -> Callable[[Problem], Problem]:
    return lambda problem: replace(problem, message=message)


def _no_folder(problem: Problem) -> Problem:
    return _hint(problem, "--presets DIR") if problem.fact("asked_by") == "presets" else problem


def _unread_baseline(problem: Problem) -> Problem:
    if problem.fact("mended_by") != "accept":
        return problem
    return _hint(problem, f"{problem.hint}: chainrun verify RECIPE --accept")


def _stretch_outside(problem: Problem) -> Problem:
    session = f"0 to {_number(problem, 'session_s')} s"
    return replace(problem, message=f"--from/--to is outside the session ({session})", allowed=None)


def _stretch_reversed(problem: Problem) -> Problem:
    return replace(problem, message="--from must be before --to")


def _folder_taken(problem: Problem) -> Problem:
    """Hint for two recipes of one name; a problem with a file is about something else."""
    return problem if problem.file is not None else _hint(problem, "render them one by one, each with -o")


def _old_names(problem: Problem) -> Problem:
    return _hint(problem, f"chainrun check --fix {problem.file}")


def _unknown_key(problem: Problem) -> Problem:
    node = problem.fact("only")
    return _hint(problem, f"chainrun render {problem.file or 'RECIPE'} --only {node}") if node is not None else problem


def _with_hint(hint: str) -> Callable[[Problem], Problem]:
    return lambda problem: _hint(problem, hint)


_WITH_OPTIONS: dict[Code, Callable[[Problem], Problem]] = {
    Code.OVER_LIMIT: _over_limit,
    Code.UNKNOWN_LIMIT: _unknown_limit,
    Code.BAD_LIMIT: _unknown_limit,
    Code.OUTSIDE_ROOT: _outside_root,
    Code.UNUSABLE_PATH: _outside_root,
    Code.UNKNOWN_NODE: _unknown_node,
    Code.UNKNOWN_KEY: _unknown_key,
    Code.UNKNOWN_WORD: _asked(_WORD_OF),
    Code.OPTION_VALUE: _asked(_VALUE_OF),
    Code.EXTRA_MISSING: _asked({"cluster": "--cluster needs the extra `cluster`"}),
    Code.NOT_COMPARABLE: _asked({"variant": "--variant needs a recipe"}),
    Code.BAD_SWEEP: _said("--sweep takes PATH=VALUE,VALUE,…"),
    Code.ACCEPT_CHANGED_RECIPE: _said("--accept accepts the recipe as it is written: not with --set or --overlay"),
    Code.NO_PRESET_LIBRARY: _with_hint("--presets DIR"),
    Code.FOLDER_NOT_FOUND: _no_folder,
    Code.PACK_OVER_INPUT: _with_hint("--write OTHER.zip"),
    Code.OLD_NAMES: _old_names,
    Code.BASELINE_VERSION: _unread_baseline,
    Code.BASELINE_DAMAGED: _unread_baseline,
    Code.STRETCH_OUTSIDE: _stretch_outside,
    Code.STRETCH_REVERSED: _stretch_reversed,
    Code.SEVERAL_ASSIGNMENTS: _with_hint("repeat --set for each key"),
    Code.STORE_NOT_WRITABLE: _with_hint("--store DIR for another store, or --no-store"),
    Code.PRINT_NOT_WRITTEN: _with_hint("free some space, or --store DIR for another store"),
    Code.NOT_ENOUGH_ROOM: _with_hint("free some space, or choose another folder with --store or -o"),
    Code.FOLDER_OF_ANOTHER_RECIPE: _folder_taken,
    Code.DELIVERY_IN_THE_WAY: _with_hint("choose another output folder with -o, or another file name"),
}
"""Functions that put options into problems, by the problem's code."""
