"""Options with another name, or another meaning, in an earlier version: a hint says the new one."""

from __future__ import annotations

_SCHEMA = "chainrun schema -o DIR writes the files, --check DIR compares them"

RENAMED: dict[tuple[str, str], str] = {
    ("batch", "--only"): "--jobs NAMES",
    ("compare", "--strict"): "--fail-if-audible",
    ("cull plan", "-o"): "--write FILE",
    ("cull plan", "--out"): "--write FILE",
    ("draft", "-o"): "--write FILE",
    ("draft", "--out"): "--write FILE",
    ("pack", "-o"): "--write FILE",
    ("pack", "--out"): "--write FILE",
    ("pack", "--stems"): "--tap before_chain or --tap after_chain",
    ("resolve", "-o"): "--write FILE",
    ("resolve", "--out"): "--write FILE",
    ("schema", "--write"): _SCHEMA,
    ("schema", "--folder"): _SCHEMA,
}
"""The option that does it now, by command and old option."""


def new_spelling(command: str, option: str) -> str | None:
    """The spelling today of an option that the command no longer has, or None."""
    return RENAMED.get((command, option))
