"""The reference page of all processors and tables, from their declarations: recipes/REFERENCE.md."""

from __future__ import annotations

from collections.abc import Iterable
from importlib import resources

from pydantic import BaseModel

from chainrun.contract import processors
from chainrun.contract.parameters import Parameter
from chainrun.docs.explain import error_rows
from chainrun.docs.tables import (
    BASELINE,
    FILE_OF,
    IN_FILES,
    IN_RECIPES,
    any_other,
    common_keys,
    example_of,
    inner_tables,
    own_keys,
    paragraphs,
    see_also,
)
from chainrun.errors import EXIT_CODES

FILE_NAME = "REFERENCE.md"
HEAD = """# Reference

Every processor and every table of a recipe and of the files around it, with keys, units, ranges and defaults.
`chainrun schema -o recipes` writes this page from the declarations that the program runs on; `chainrun explain WORD`
shows the same on a terminal. After them: the [exit codes and the codes of problems](#errors), and
[everything around a recipe](#around-the-recipe): deliveries, the store, batches, the log, pytest, limits.

Units are part of a key's name. Levels in dBFS are plain RMS: a full-scale sine reads -3.01 dBFS.
"""


def reference_text() -> str:
    """The whole page."""
    known = processors()
    lines = [HEAD, "## Processors", ""]
    lines.append(" · ".join(f"[{word}](#{word})" for word in known))
    lines += ["", "Every step also takes:", "", *_table(common_keys())]
    for word, step in known.items():
        lines += ["", f"### {word}", "", *_model(step)]
        lines += _example(word)
        if step.source:
            lines += ["", f"Source: {step.source}"]
    for title, group in (("Tables of a recipe", IN_RECIPES), ("Other files", IN_FILES)):
        lines += ["", f"## {title}"]
        for word, model in group.items():
            lines += ["", f"### {word} (table)", "", f"`{FILE_OF[word]}`", "", *_model(model)]
    lines += ["", "### baseline (file)", "", BASELINE, "", *_errors()]
    guide = resources.files("chainrun.docs").joinpath("guide.md").read_text(encoding="utf-8")
    return "\n".join(lines) + "\n\n" + guide


def _example(do: str) -> list[str]:
    """A processor's example: a chain of one step on one line, or a table."""
    found = example_of(do)
    if len(found) == 1:
        found = [f"chain = [ {found[0]} ]"]
    return ["", "```toml", *found, "```"] if found else []


def _errors() -> list[str]:
    """The exit codes and the codes of problems, as two tables."""
    lines = ["## Errors", "", "| exit code | meaning |", "| --- | --- |"]
    lines += [f"| {number} | {meaning} |" for number, meaning in EXIT_CODES.items()]
    lines += ["", "The `code` of a problem in `--json` stays when its sentence changes:", ""]
    lines += ["| code | meaning |", "| --- | --- |"]
    return lines + [f"| `{code}` | {meaning} |" for code, meaning in error_rows()]


def _model(model: type[BaseModel]) -> list[str]:
    own = own_keys(model)
    lines = ["\n\n".join(paragraphs(model)), *(["", *_table(own)] if own else [])]
    other = any_other(model)
    if other is not None:
        lines += ["", f"Any other key: see [{other}](#{other}-table)."]
    for inner in inner_tables(own):
        lines += ["", f"`{inner.title}`: {' '.join(paragraphs(inner.model))}", "", *_table(inner.keys)]
    return lines


def _table(found: Iterable[Parameter]) -> list[str]:
    lines = ["| key | unit | allowed | default | meaning |", "| --- | --- | --- | --- | --- |"]
    for one in found:
        see = "".join(f" ([{word}](#{word}-table))" for word in see_also(one))
        cells = (f"`{one.key}`", one.unit, f"{one.allowed}{see}", one.default, one.help)
        lines.append("| " + " | ".join(cell.replace("|", "\\|").replace("\n", " ") for cell in cells) + " |")
    return lines
