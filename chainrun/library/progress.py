"""What hears of the course of a long question to the library."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path


class Progress:
    """Hears of the course of a question; does nothing with it. A command's own shows it."""

    def node(self, name: str, share: float) -> None:
        """A preset is measured, or a node rendered, to this share (0 to 1)."""

    def unreadable(self, recipes: Mapping[Path, str]) -> None:
        """These recipes are not valid, for these reasons, and are left out."""

    def left_out(self, preset: str, reason: str) -> None:
        """A preset that cannot be measured is left out: a response's file is missing, say."""

    def warning(self, text: str) -> None:
        """Something to know, which stops nothing."""

    def done(self) -> None:
        """All is measured and rendered."""
