"""Progress of questions to preset libraries and of culls, on stderr."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from chainrun.cli.progress import ProgressLines
from chainrun.cli.terminal import doubtful, talk
from chainrun.library.progress import Progress

MAX_REASONS = 3
"""Maximum number of invalid recipes that are shown with their reasons."""


class LibraryProgress(Progress):
    """Shows how far a question is, and reports what is left out."""

    def __init__(self, *, quiet: bool):
        self._lines = ProgressLines(quiet=quiet)

    def node(self, name: str, share: float) -> None:
        """Show how far a node is."""
        self._lines.node(name, share)

    def unreadable(self, recipes: Mapping[Path, str]) -> None:
        """Report recipes that are not valid."""
        show_unreadable(recipes)

    def left_out(self, preset: str, reason: str) -> None:
        """Report a preset that is left out, and why."""
        talk(f"left out: {preset}: {reason}")

    def warning(self, text: str) -> None:
        """Report a warning."""
        talk(f"{doubtful('warning:')} {text}")

    def done(self) -> None:
        """Take the lines away."""
        self._lines.done()


def show_unreadable(recipes: Mapping[Path, str]) -> None:
    """Report recipes that were left out because they are not valid, the first few with their reasons."""
    for text in list(recipes.values())[:MAX_REASONS]:
        talk(f"left out: {text}")
    if len(recipes) > MAX_REASONS:
        talk(f"left out: {len(recipes) - MAX_REASONS} more recipes that are not valid (chainrun check says why)")
