"""`chainrun explain`: processors, tables, limits and errors in words, from their declarations."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable
from difflib import get_close_matches
from itertools import groupby

from pydantic import BaseModel

from chainrun.contract import Step, processors
from chainrun.contract.parameters import Parameter
from chainrun.docs.changes import changes
from chainrun.docs.old_names import old_names
from chainrun.docs.tables import (
    BASELINE,
    FILE_OF,
    IN_FILES,
    IN_RECIPES,
    TABLES,
    any_other,
    common_keys,
    example_of,
    first_line,
    inner_tables,
    own_keys,
    paragraphs,
    see_also,
)
from chainrun.errors import EXIT_CODES
from chainrun.limits import limit_rows
from chainrun.problem_codes import Code
from chainrun.recipe.slips import known_keys
from chainrun.units import unit_of

MAX_NEAREST = 3
"""Words that are offered for one that is not known."""


def words() -> list[str]:
    """Everything that can be explained."""
    return [*processors(), *TABLES, *_LISTS]


def nearest_words(word: str) -> str | None:
    """A hint for a word that cannot be explained: the key that it is, or the words that are like it."""
    owners = _owners(word)
    if owners:
        key, first = next(iter(owners.values())), next(iter(owners))
        return f"{key} is a key of {', '.join(owners)}: chainrun explain {first}"
    small = word.lower().replace("_", "-")
    known = {one.lower().replace("_", "-"): one for one in words()}
    near = [one for one in known if len(small) > 2 and (one.startswith(small) or small.startswith(one))]
    near += [one for one in get_close_matches(small, known, n=MAX_NEAREST, cutoff=0.7) if one not in near]
    found = [repr(known[one]) for one in near[:MAX_NEAREST]]
    if not found:
        keys = get_close_matches(word.lower(), known_keys(), n=1, cutoff=0.8)
        return nearest_words(keys[0]) if keys and keys[0] != word else None
    return f"did you mean {' or '.join(found)}?"


def _owners(word: str) -> dict[str, str]:
    """Processors and tables that have a word, with or without its unit, as a key; and that key."""
    found = {}
    known: dict[str, type[BaseModel]] = {**processors(), **TABLES}
    for name, model in known.items():
        own = own_keys(model)
        keys = [one.key for one in (*own, *(one for inner in inner_tables(own) for one in inner.keys))]
        key = next((one for one in keys if one == word), None) or next(
            (one for one in keys if one.rpartition("_")[0] == word and unit_of(one)), None
        )
        if key is not None:
            found[name] = key
    return found


def error_rows() -> list[tuple[str, str]]:
    """Every code of a problem, and its meaning."""
    return [(code.value, code.about) for code in Code]


def overview(width: int = 80) -> str:
    """All processors and tables, one line for each."""
    lines: list[str] = []
    groups: dict[str, dict[str, type[BaseModel]]] = {
        'Processors, as in { do = "gate", … }:': dict(processors()),
        "Tables of a recipe:": IN_RECIPES,
        "Other files:": IN_FILES,
    }
    for title, group in groups.items():
        lines += [title, *(_overview_line(word, first_line(model), width) for word, model in group.items())]
        if group is IN_FILES:
            lines.append(_overview_line("baseline", "Measurements of an accepted render; written by chainrun.", width))
        lines.append("")
    lines.append("Lists:")
    about = {
        "limits": "What a recipe may cost.",
        "errors": "The codes of problems, and the exit codes.",
        "renamed": "Older names of keys, and today's names.",
        "changes": "What is new; with a version, what came after it.",
    }
    lines += [_overview_line(word, sentence, width) for word, sentence in about.items()]
    return "\n".join([*lines, "", "chainrun explain WORD shows the keys of one of them."])


def _overview_line(word: str, about: str, width: int) -> str:
    return f"  {word:<12}  {textwrap.shorten(about, width - 16, placeholder=' …')}"


def explain(word: str, width: int = 80) -> str:
    """A processor or a table: what it does, its keys, an example, its source."""
    if word in _LISTS:
        return _LISTS[word](width)
    known: dict[str, type[BaseModel]] = {**TABLES, **processors()}
    model = known[word]
    lines = [f"{word}  {FILE_OF[word]}" if word in FILE_OF else word]
    for one in paragraphs(model):
        lines += textwrap.wrap(one, width)
    own = own_keys(model)
    lines += ["", *_keys(own, width)]
    other = any_other(model)
    if other is not None:
        lines += ["  any other key", f"      see {other}"]
    for inner in inner_tables(own):
        lines += ["", *textwrap.wrap(f"{inner.title}: {first_line(inner.model)}", width), *_keys(inner.keys, width)]
    if issubclass(model, Step) and model is not Step:
        lines += ["", "Every step also takes:", *_keys(common_keys(), width)]
        lines += _example(word)
        if model.source:
            lines += ["", *textwrap.wrap(f"Source: {model.source}", width)]
    return "\n".join(lines)


def _example(do: str) -> list[str]:
    found = example_of(do)
    return ["", "Example:", *(f"  {line}".rstrip() for line in found)] if found else []


def _limits(width: int) -> str:
    """The limits on the cost of a recipe or a file."""
    about = (
        "What a recipe or an audio file may cost, since it may come from a stranger. Each is changed by "
        "--limit NAME=VALUE, which may be repeated, or for every command by CHAINRUN_LIMITS='NAME=VALUE NAME=VALUE'. "
        "Work, memory and disk are predicted from the recipe alone."
    )
    lines = ["limits", *textwrap.wrap(about, width), ""]
    for name, value, unit, what in limit_rows():
        usual = f"{value:g} {unit}".rstrip()
        lines += [f"  {name}", *_indented(f"{what}: {usual}", width)]
    return "\n".join(lines)


def _errors(width: int) -> str:
    """The codes of problems, and the exit codes."""
    about = (
        "Every problem has a code, which stays when its sentence changes; with --json it is under `code`. "
        "Several sentences may have one code."
    )
    lines = ["errors", *textwrap.wrap(about, width), "", "Exit codes:"]
    for number, meaning in EXIT_CODES.items():
        lines += textwrap.wrap(meaning, width, initial_indent=f"  {number:>3}  ", subsequent_indent="       ")
    lines += ["", "Codes of problems:"]
    for code, meaning in error_rows():
        lines += [f"  {code}", *_indented(meaning, width)]
    return "\n".join(lines)


def _baseline(width: int) -> str:
    return "\n".join(["baseline", *textwrap.wrap(BASELINE, width)])


def _renamed(width: int) -> str:
    """Older names beside today's, by the table that they are in."""
    lines = textwrap.wrap(
        "Older names, and today's. Files with older names are read as before; `chainrun check --fix FILES` "
        "rewrites them in place.",
        width,
    )
    for where, names in groupby(old_names(), key=lambda one: one.where):
        lines += ["", f"{where}:"]
        for one in names:
            line = f"    {one.before}  ->  {one.today}"
            lines += [line] if len(line) <= width else [f"    {one.before}  ->", f"        {one.today}"]
    return "\n".join(lines)


_LISTS: dict[str, Callable[[int], str]] = {
    "baseline": _baseline,
    "renamed": _renamed,
    "limits": _limits,
    "errors": _errors,
    "changes": lambda width: changes(width=width),
}
"""Texts that are no table with keys."""


def _keys(found: Iterable[Parameter], width: int) -> list[str]:
    lines = []
    for one in found:
        default = f", default {one.default}" if one.default and one.default != "required" else ""
        required = ", required" if one.default == "required" else ""
        see = f" (see {', '.join(see_also(one))})" if see_also(one) else ""
        head = f"  {one.key}  {one.allowed}{see}{default}{required}"
        lines += textwrap.wrap(head, width, subsequent_indent=" " * 6)
        lines += _indented(one.help, width) if one.help else []
    return lines


def _indented(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, width, initial_indent=" " * 6, subsequent_indent=" " * 6)
