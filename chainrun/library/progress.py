"""Receives the progress of a long query to a preset library."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path


class Progress:
    """Receives the progress of a query and ignores it; a command's subclass shows it."""

    def node(self, name: str, share: float) -> None:
        """Report the share (0 to 1) to which a preset is measured or a node rendered."""

    def unreadable(self, recipes: Mapping[Path, str]) -> None:
        """Report recipes that are not valid and were left out, with reasons."""

    def left_out(self, preset: str, reason: str) -> None:
        """Report a preset that cannot be measured and was left out, with the reason."""

    def warning(self, text: str) -> None:
        """Report a warning."""

    def done(self) -> None:
        """Report that all is measured and rendered."""
