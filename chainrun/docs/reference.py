"""The reference page of all processors and tables, from their declarations: recipes/REFERENCE.md."""

from __future__ import annotations

import textwrap
from importlib import resources

from pydantic import BaseModel

from chainrun.contract import Step, processors
from chainrun.contract.parameters import Parameter, parameters
from chainrun.docs.explain import TABLES, error_rows, inner_models, tag_of, toml_value
from chainrun.errors import EXIT_CODES

FILE_NAME = "REFERENCE.md"
HEAD = """# Reference

Every processor and every table of a recipe, with its keys, units, ranges and defaults. Made by
`chainrun schema --write` from the declarations that the program runs on; `chainrun explain WORD` tells the
same on a terminal. After them stand the [exit codes and the codes of problems](#errors), and
[what stands around a recipe](#around-the-recipe): deliveries, the store, batches, the log, pytest, limits.

Units stand in the key. A threshold's `_db` is dBFS; RMS is plain (a full-scale sine reads -3.01 dBFS).
"""


def reference_text() -> str:
    """The whole page."""
    known = processors()
    lines = [HEAD, "## Processors", ""]
    lines.append(" · ".join(f"[{word}](#{word})" for word in known))
    common = [p for p in parameters(Step) if p.key != "do"]
    lines += ["", "Every step also takes:", "", *_table(common)]
    for word, step in known.items():
        lines += ["", f"### {word}", "", _about(step)]
        lines += _model(step, leave_out=set(Step.model_fields))
        if step.example:
            numbers = "".join(f", {key} = {toml_value(value)}" for key, value in step.example.items())
            lines += ["", "```toml", f'chain = [ {{ do = "{word}"{numbers} }} ]', "```"]
        if step.source:
            lines += ["", f"Source: {step.source}"]
    lines += ["", "## Tables"]
    for word, model in TABLES.items():
        lines += ["", f"### {word} (table)", "", _about(model), *_model(model, leave_out=set())]
    lines += ["", *_errors()]
    guide = resources.files("chainrun.docs").joinpath("guide.md").read_text(encoding="utf-8")
    return "\n".join(lines) + "\n\n" + guide


def _errors() -> list[str]:
    """The exit codes and the codes of problems, as two tables."""
    lines = ["## Errors", "", "| exit code | what it means |", "| --- | --- |"]
    lines += [f"| {number} | {meaning} |" for number, meaning in EXIT_CODES.items()]
    lines += ["", "The `code` of a problem in `--json` stays, whatever its sentence becomes:", ""]
    lines += ["| code | what it means |", "| --- | --- |"]
    return lines + [f"| `{code}` | {meaning} |" for code, meaning in error_rows()]


def _about(model: type[BaseModel]) -> str:
    paragraphs = textwrap.dedent((model.__doc__ or "").strip()).split("\n\n")
    return "\n\n".join(" ".join(paragraph.split()) for paragraph in paragraphs)


def _model(model: type[BaseModel], leave_out: set[str]) -> list[str]:
    own = [p for p in parameters(model) if p.key not in leave_out]
    lines = ["", *_table(own)] if own else []
    for inner in inner_models(own):
        lines += ["", f"`{tag_of(inner)}`: {_about(inner)}", ""]
        lines += _table([p for p in parameters(inner) if p.key not in ("kind", "note")])
    return lines


def _table(found: list[Parameter]) -> list[str]:
    lines = ["| key | unit | allowed | default | what it is |", "| --- | --- | --- | --- | --- |"]
    for one in found:
        cells = (f"`{one.key}`", one.unit or "", one.allowed, one.default or "", one.help or "")
        lines.append("| " + " | ".join(str(cell).replace("|", "\\|").replace("\n", " ") for cell in cells) + " |")
    return lines
