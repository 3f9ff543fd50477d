"""`chainrun explain`: processors, tables of a recipe, limits and errors in words, from their declarations."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator
from typing import Any

from pydantic import BaseModel

from chainrun.contract import Key, Step, processors
from chainrun.contract.parameters import Parameter, parameters
from chainrun.docs.changes import changes
from chainrun.errors import EXIT_CODES
from chainrun.limits import limit_rows
from chainrun.problem_codes import Code
from chainrun.recipe.model import Bus, Delivery, Main, PresetFile, PresetUse, Recipe, Send, Stem

TABLES: dict[str, type[BaseModel]] = {
    "recipe": Recipe,
    "stems": Stem,
    "buses": Bus,
    "main": Main,
    "deliver": Delivery,
    "sends": Send,
    "key": Key,
    "preset-use": PresetUse,
    "preset-file": PresetFile,
    "step": Step,
}


def words() -> list[str]:
    """All that can be explained."""
    return [*processors(), *TABLES, "limits", "errors", "changes"]


def error_rows() -> list[tuple[str, str]]:
    """Every code of a problem, and what it means."""
    return [(code.value, code.about) for code in Code]


def first_line(model: type[BaseModel]) -> str:
    """The first sentence of a declaration's help."""
    return (model.__doc__ or "").strip().split("\n")[0]


def overview(width: int = 80) -> str:
    """All processors and tables, a line each."""
    lines = ['Processors, as in { do = "gate", … }:']
    known: dict[str, type[BaseModel]] = dict(processors())
    for group in (known, TABLES):
        for word, model in group.items():
            about = textwrap.shorten(first_line(model), width - 16, placeholder=" …")
            lines.append(f"  {word:<12}  {about}")
        if group is known:
            lines += ["", "Tables of a recipe:"]
    lines += ["", "chainrun explain limits tells what a recipe may cost at most."]
    lines.append("chainrun explain errors lists the codes of problems, and the exit codes.")
    lines += ["chainrun explain changes tells what is new; with a version, what came after it."]
    return "\n".join([*lines, "chainrun explain WORD tells the keys of one of them."])


def explain(word: str, width: int = 80) -> str:
    """A processor or a table: what it does, its keys, an example, its source."""
    if word in _LISTS:
        return _LISTS[word](width)
    known: dict[str, type[BaseModel]] = {**TABLES, **processors()}
    model = known[word]
    lines = [word, *_paragraphs(model.__doc__ or "", width), ""]
    common = set(Step.model_fields) if word in processors() else set()
    own = [p for p in parameters(model) if p.key not in common]
    lines += _keys(own, width)
    if common:
        lines.append("")
        lines += textwrap.wrap("Like all steps it also takes " + ", ".join(sorted(common - {"do"})) + ".", width)
    for inner in inner_models(own):
        lines += ["", *textwrap.wrap(f"{tag_of(inner)}: {first_line(inner)}", width)]
        lines += _keys([p for p in parameters(inner) if p.key not in ("kind", "note")], width)
    if word in processors():
        step = processors()[word]
        if step.example:
            lines += ["", "Example:"]
            example = (
                "{ do = " + toml_value(word) + "".join(f", {k} = {toml_value(v)}" for k, v in step.example.items())
            )
            lines += textwrap.wrap(example + " }", width, initial_indent="  ", subsequent_indent="    ")
        if step.source:
            lines += ["", *textwrap.wrap(f"Source: {step.source}", width)]
    return "\n".join(lines)


def _limits(width: int) -> str:
    """What a recipe or a file may cost at most."""
    about = (
        "What a recipe or an audio file may cost at most, since it may come from a stranger. Each is changed by "
        "--limit NAME=VALUE, which may be repeated, or for every command by CHAINRUN_LIMITS='NAME=VALUE NAME=VALUE'. "
        "Work, memory and disk are predicted from the recipe alone."
    )
    lines = ["limits", *textwrap.wrap(about, width), ""]
    for name, value, unit, what in limit_rows():
        usual = f"{value:g} {unit}".rstrip()
        lines += [
            f"  {name}",
            *textwrap.wrap(f"{what}: {usual}", width, initial_indent="      ", subsequent_indent="      "),
        ]
    return "\n".join(lines)


def _errors(width: int) -> str:
    """The codes of problems, and the exit codes."""
    about = (
        "Every problem has a code, which stays whatever its sentence becomes; with --json it stands under `code`. "
        "Several sentences may have one code."
    )
    lines = ["errors", *textwrap.wrap(about, width), "", "Exit codes:"]
    for number, meaning in EXIT_CODES.items():
        lines += textwrap.wrap(meaning, width, initial_indent=f"  {number:>3}  ", subsequent_indent="       ")
    lines += ["", "Codes of problems:"]
    for code, meaning in error_rows():
        lines.append(f"  {code}")
        lines += textwrap.wrap(meaning, width, initial_indent="      ", subsequent_indent="      ")
    return "\n".join(lines)


_LISTS: dict[str, Callable[[int], str]] = {
    "limits": _limits,
    "errors": _errors,
    "changes": lambda width: changes(width=width),
}
"""What is explained beside processors and tables."""


def _paragraphs(text: str, width: int) -> Iterator[str]:
    for paragraph in textwrap.dedent(text.strip()).split("\n\n"):
        yield from textwrap.wrap(" ".join(paragraph.split()), width)


def _keys(found: list[Parameter], width: int) -> list[str]:
    lines = []
    for one in found:
        default = f", default {one.default}" if one.default and one.default != "required" else ""
        required = ", required" if one.default == "required" else ""
        lines.append(f"  {one.key}")
        about = f"{one.help + ': ' if one.help else ''}{one.allowed}{default}{required}"
        lines += textwrap.wrap(about, width, initial_indent="      ", subsequent_indent="      ")
    return lines


def inner_models(found: list[Parameter]) -> list[type[BaseModel]]:
    """Tables that stand inside these keys, other than steps and the recipe's own."""
    seen: list[type[BaseModel]] = []
    for one in found:
        seen += [m for m in one.models if m not in seen and not issubclass(m, Step) and m not in TABLES.values()]
    return seen


def tag_of(model: type[BaseModel]) -> str:
    """How an inner table is told from its siblings: by its kind, else by its name."""
    kind = model.model_fields.get("kind")
    from typing import get_args

    return f'kind = "{get_args(kind.annotation)[0]}"' if kind is not None else model.__name__.lower()


def toml_value(value: Any) -> str:
    """A value as it is written in a recipe."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {toml_value(inner)}" for key, inner in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[ " + ", ".join(toml_value(inner) for inner in value) + " ]" if value else "[]"
    return f"{value:g}" if isinstance(value, float) else str(value)
