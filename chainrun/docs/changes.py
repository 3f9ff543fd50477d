"""`chainrun explain changes`: the changes of each version, from CHANGELOG.md beside this file."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass, field, replace
from functools import cache
from importlib import resources

WIDTH = 80


@dataclass(frozen=True)
class ChangeGroup:
    """Changes of one kind in a version."""

    kind: str
    """Empty where a version has no kinds."""
    about: str = ""
    """A sentence about all its entries; may be empty."""
    entries: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Release:
    """The changes of one version."""

    version: str
    groups: list[ChangeGroup] = field(default_factory=list)


@cache
def releases() -> tuple[Release, ...]:
    """All versions, the newest first."""
    return read(resources.files("chainrun.docs").joinpath("CHANGELOG.md").read_text(encoding="utf-8"))


def read(text: str) -> tuple[Release, ...]:
    """The versions of a changelog: `## VERSION`, `### KIND`, and entries that begin with a hyphen."""
    found: list[Release] = []
    for line in text.splitlines():
        if line.startswith("## "):
            found.append(Release(line.removeprefix("## ").strip()))
        elif found and line.startswith("### "):
            found[-1].groups.append(ChangeGroup(line.removeprefix("### ").strip()))
        elif found and line.startswith("- "):
            if not found[-1].groups:
                found[-1].groups.append(ChangeGroup(""))
            found[-1].groups[-1].entries.append(line.removeprefix("- ").strip())
        elif found and line.strip():
            group = found[-1].groups[-1]
            if group.entries:
                group.entries[-1] += " " + line.strip()
            else:
                found[-1].groups[-1] = replace(group, about=f"{group.about} {line.strip()}".strip())
    return tuple(found)


def versions() -> list[str]:
    """The versions in the changelog, the newest first."""
    return [one.version for one in releases()]


def releases_since(version: str | None = None) -> list[Release]:
    """The versions after a known one; without it, all of them."""
    return list(releases()[: versions().index(version) if version is not None else None])


def changes(since: str | None = None, width: int = WIDTH) -> str:
    """The changes, as text for a terminal."""
    found = releases_since(since)
    if not found:
        return f"{since} is the newest version: nothing came after it."
    lines: list[str] = []
    for release in found:
        lines += ["", release.version]
        for group in release.groups:
            lines += ["", f"  {group.kind}"] if group.kind else [""]
            lines += [*_wrapped(group.about, "  ", width), ""] if group.about else []
            for entry in group.entries:
                lines += _wrapped(entry, "  - ", width)
    return "\n".join(lines[1:])


def _wrapped(text: str, begin: str, width: int) -> list[str]:
    return textwrap.wrap(
        text,
        width,
        initial_indent=begin,
        subsequent_indent=" " * len(begin),
        break_on_hyphens=False,
        break_long_words=False,
    )
