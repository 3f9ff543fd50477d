"""The folders that a recipe may reach: its root, and those that the user allows."""

from __future__ import annotations

import os
import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

MARK = ".chainrun-root"
OUTSIDE = "lies outside the recipe's root"


def safely_resolved(path: Path) -> Path:
    """The path with links and .. resolved, or as it is where that cannot be."""
    try:
        return path.resolve()
    except (OSError, ValueError, RuntimeError):
        return path


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

    def hint(self, path: Path) -> str:
        """The line that lets a recipe reach a path outside: a mark in the nearest folder that holds both."""
        real = safely_resolved(path)
        common = Path(os.path.commonpath([real, self.folders[0]]))
        nearer = (self.folders[0] / MARK).exists()  # the nearest mark counts
        home = Path(os.path.expanduser("~"))
        if nearer or common in (home, *home.parents, Path("/")):  # a mark there would open too much
            return f"--allow-root {real if real.is_dir() else real.parent}"
        return f"touch {shlex.quote(Path(os.path.relpath(common / MARK, Path.cwd())).as_posix())}"
