"""The course of questions to preset libraries and of culls, on stderr."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from chainrun.cli.terminal import ProgressLine, talk
from chainrun.library.progress import Progress

MAX_REASONS = 3


class LibraryProgress(Progress):
    """Shows where a question is in one line, and reports what is left out."""

    def __init__(self, *, quiet: bool):
        self._line = ProgressLine(quiet=quiet)

    def node(self, name: str, share: float) -> None:
        """Show how far a node is."""
        self._line.node(name, share)

    def unreadable(self, recipes: Mapping[Path, str]) -> None:
        """Report recipes that are not valid."""
        tell_unreadable(recipes)

    def left_out(self, preset: str, reason: str) -> None:
        """Report a preset that is left out, and why."""
        talk(f"left out: {preset}: {reason}")

    def warning(self, text: str) -> None:
        """Report a warning."""
        talk(f"warning: {text}")

    def done(self) -> None:
        """Take the line away."""
        self._line.done()


def tell_unreadable(recipes: Mapping[Path, str]) -> None:
    """Recipes that were left out, the first few with their reasons."""
    for text in list(recipes.values())[:MAX_REASONS]:
        talk(f"left out: {text}")
    if len(recipes) > MAX_REASONS:
        talk(f"left out, too: {len(recipes) - MAX_REASONS} more recipes that are not valid (chainrun check tells why)")
