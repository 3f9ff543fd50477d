"""The folders that a recipe may reach: its root, and those that the user allows."""

from __future__ import annotations

import os
import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from chainrun.whole_file import safely_resolved

MARK = ".chainrun-root"
OUTSIDE = "lies outside the recipe's root"


@dataclass(frozen=True)
class Roots:
    """A recipe's root is the nearest folder at or above it that holds `.chainrun-root`, else its own folder."""

    folders: tuple[Path, ...]

    @staticmethod
    def of(recipe: Path, allowed: Sequence[Path] = ()) -> Roots:
        """The roots of a recipe file."""
        own = recipe.resolve().parent
        root = next((folder for folder in (own, *own.parents) if (folder / MARK).exists()), own)
        return Roots((root, *(folder.resolve() for folder in allowed)))

    def refusal(self, path: Path) -> str | None:
        """Why a path may not be reached, or None if it may."""
        try:
            real = path.resolve()
            real.exists()
        except (OSError, ValueError, RuntimeError) as error:
            return f"is no path that can be used ({getattr(error, 'strerror', None) or error})"
        inside = any(real == folder or folder in real.parents for folder in self.folders)
        return None if inside else OUTSIDE

    def mark_for(self, path: Path) -> Path | None:
        """The mark that would let a recipe reach a path outside: in the nearest folder that holds both.

        None where a nearer mark counts, or where it would open the home folder, or more.
        """
        common = Path(os.path.commonpath([safely_resolved(path), self.folders[0]]))
        home = safely_resolved(Path(os.path.expanduser("~")))
        if (self.folders[0] / MARK).exists() or common in (home, *home.parents, Path(common.anchor)):
            return None
        return Path(os.path.relpath(common / MARK))

    def hint(self, path: Path) -> str:
        """The line that lets a recipe reach a path outside."""
        mark = self.mark_for(path)
        if mark is not None:
            return f"touch {shlex.quote(mark.as_posix())}"
        real = safely_resolved(path)
        return f"--allow-root {real if real.is_dir() else real.parent}"
