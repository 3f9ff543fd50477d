"""Problems as the command line tells them: where the library says what could be done, here stands the option for it.

Decided by a problem's code and facts alone. `for_command_line` is the one way of a problem to the screen or to JSON.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace

from chainrun.errors import ChainrunError, Problem
from chainrun.problem_codes import Code


def for_command_line(problem: Problem) -> Problem:
    """The problem with the option that mends it; as it is where there is none."""
    told = _MENDED.get(problem.code)
    return told(problem) if told is not None else problem


def all_for_command_line(problems: Iterable[Problem]) -> list[Problem]:
    """The same for several."""
    return [for_command_line(problem) for problem in problems]


def error_for_command_line(error: ChainrunError) -> ChainrunError:
    """An error of the same kind whose problems name the options that mend them."""
    return type(error)(all_for_command_line(error.problems))


def _hint(problem: Problem, hint: str) -> Problem:
    """The problem with another hint, where it has one: what took a hint away knew that it would not help."""
    return replace(problem, hint=hint) if problem.hint is not None else problem


def _number(problem: Problem, name: str) -> str:
    """A fact that is a number, in figures."""
    return f"{float(problem.fact(name) or 0):g}"


def _over_limit(problem: Problem) -> Problem:
    return _hint(problem, f"if you trust it: --limit {problem.fact('limit')}={_number(problem, 'enough')}")


def _unknown_limit(problem: Problem) -> Problem:
    """What names no limit may ask for all of them."""
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


_WORD_OF = {"only": "--only: {}", "stems": "--stems: {}", "reference": "{} for --reference"}
"""What is said of a name that nothing has, by what asked for it."""
_VALUE_OF = {
    "target": "-o wants a recipe's file, not a folder",
    "cluster": "--cluster is no place of workers",
    "cluster_workers": "--cluster local:N needs a number of workers",
    "shard": "--shard is no share",
}
"""What is said of a value that nothing can be made of, by what it was meant for."""


def _asked(messages: Mapping[str, str]) -> Callable[[Problem], Problem]:
    """Another message, by what asked for it; `{}` in it is the problem's own."""

    def told(problem: Problem) -> Problem:
        message = messages.get(str(problem.fact("asked_by")))
        return replace(problem, message=message.format(problem.message)) if message is not None else problem

    return told


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
    return replace(problem, message=f"--from/--to lies outside the session ({session})", allowed=None)


def _stretch_reversed(problem: Problem) -> Problem:
    return replace(problem, message="--from lies after --to, or on it")


def _folder_taken(problem: Problem) -> Problem:
    """Of two recipes of one name; a change that would go into another recipe's folder has no file to be told by."""
    return problem if problem.file is not None else _hint(problem, "render them one by one, each with -o")


def _old_names(problem: Problem) -> Problem:
    return _hint(problem, f"chainrun check --fix {problem.file}")


def _unknown_key(problem: Problem) -> Problem:
    node = problem.fact("only")
    return _hint(problem, f"chainrun render {problem.file or 'RECIPE'} --only {node}") if node is not None else problem


def _with_hint(hint: str) -> Callable[[Problem], Problem]:
    return lambda problem: _hint(problem, hint)


_MENDED: dict[Code, Callable[[Problem], Problem]] = {
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
    Code.NOT_COMPARABLE: _asked({"variant": "--variant goes with a recipe"}),
    Code.BAD_SWEEP: _said("--sweep wants PATH=VALUE,VALUE,…"),
    Code.ACCEPT_CHANGED_RECIPE: _said("--accept keeps what the recipe says: not with --set or --overlay"),
    Code.NO_PRESET_LIBRARY: _with_hint("--presets DIR"),
    Code.FOLDER_NOT_FOUND: _no_folder,
    Code.PACK_OVER_INPUT: _with_hint("-o OTHER.zip"),
    Code.OLD_NAMES: _old_names,
    Code.BASELINE_VERSION: _unread_baseline,
    Code.BASELINE_DAMAGED: _unread_baseline,
    Code.STRETCH_OUTSIDE: _stretch_outside,
    Code.STRETCH_REVERSED: _stretch_reversed,
    Code.SEVERAL_ASSIGNMENTS: _with_hint("give --set several times"),
    Code.STORE_NOT_WRITABLE: _with_hint("choose another with --store DIR, or render with --no-store"),
    Code.PRINT_NOT_WRITTEN: _with_hint("make room there, or choose another store with --store"),
    Code.NOT_ENOUGH_ROOM: _with_hint("make room, or choose another folder with --store or -o"),
    Code.FOLDER_OF_ANOTHER_RECIPE: _folder_taken,
    Code.DELIVERY_IN_THE_WAY: _with_hint("choose another output folder with -o, or another file name"),
}
"""What the command line makes of a problem, by its code."""
