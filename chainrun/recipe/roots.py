"""Folders that a recipe may read: its root, and those that the user allows."""

from __future__ import annotations

import os
import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from chainrun.errors import Facts, Problem
from chainrun.problem_codes import Code
from chainrun.whole_file import safely_resolved

MARK = ".chainrun-root"


@dataclass(frozen=True)
class Refusal:
    """Reason why a path may not be read, and how to allow it."""

    reason: str
    code: Code
    hint: str
    facts: Facts = ()

    @property
    def is_outside(self) -> bool:
        """Whether the path is usable on this system, but outside."""
        return self.code is Code.OUTSIDE_ROOT

    def problem(self, what: str, *, given: str | None = None, and_more: str = "") -> Problem:
        """Problem of `what` with this path: "the stem is outside the recipe's root"."""
        message = f"{what} {self.reason}{and_more}"
        return Problem(message, given=given, hint=self.hint, code=self.code, facts=self.facts)


@dataclass(frozen=True)
class Roots:
    """Roots of a recipe: the nearest folder at or above it with `.chainrun-root`, else its own; and allowed folders."""

    folders: tuple[Path, ...]

    @staticmethod
    def of(recipe: Path, allowed: Sequence[Path] = ()) -> Roots:
        """Roots of a recipe file."""
        own = recipe.resolve().parent
        root = next((folder for folder in (own, *own.parents) if (folder / MARK).exists()), own)
        return Roots((root, *(folder.resolve() for folder in allowed)))

    def refusal(self, path: Path) -> Refusal | None:
        """Refusal of a path, or None if it may be read."""
        try:
            real = path.resolve()
            real.exists()
        except (OSError, ValueError, RuntimeError) as error:
            hint, facts = self._way_to(path)
            reason = f"has a path that cannot be used ({getattr(error, 'strerror', None) or error})"
            return Refusal(reason, Code.UNUSABLE_PATH, hint, facts)
        inside = any(real == folder or folder in real.parents for folder in self.folders)
        return None if inside else self.outside(path)

    def outside(self, path: Path) -> Refusal:
        """Refusal of a path outside the roots."""
        return Refusal("is outside the recipe's root", Code.OUTSIDE_ROOT, *self._way_to(path))

    def mark_for(self, path: Path) -> Path | None:
        """Mark that would let a recipe read a path outside: in the nearest folder above both.

        None if there is a nearer mark, or if it would allow the home folder or more.
        """
        common = Path(os.path.commonpath([safely_resolved(path), self.folders[0]]))
        home = safely_resolved(Path(os.path.expanduser("~")))
        if (self.folders[0] / MARK).exists() or common in (home, *home.parents, Path(common.anchor)):
            return None
        return Path(os.path.relpath(common / MARK))

    def _way_to(self, path: Path) -> tuple[str, Facts]:
        """Hint and facts on how to let a recipe read a path outside: create a mark, or allow a folder."""
        mark = self.mark_for(path)
        if mark is not None:
            return f"touch {shlex.quote(mark.as_posix())}", ()
        real = safely_resolved(path)
        folder = real if real.is_dir() else real.parent
        return f"allow the recipe to read the folder {folder}", (("folder_to_allow", str(folder)),)
