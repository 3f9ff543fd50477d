"""Progress of renders, on stderr: one line per node at work on a terminal, a line per finished node elsewhere."""

from __future__ import annotations

import os
import sys
import time
from typing import TYPE_CHECKING

from chainrun.cli.stopping import stop_if_asked
from chainrun.cli.terminal import shortened, talk
from chainrun.errors import printable

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

PATIENCE_S = 0.3
"""A render that ends sooner shows no lines: rich takes a tenth of a second to import."""
REFRESH_S = 0.1
NAME_WIDTH = 24
MIN_SHARE = 0.02
"""Below this share the time left is not estimated."""


class ProgressLines:
    """Shows which nodes are at work, how far each is, and the time left; silent with `quiet`."""

    def __init__(self, *, quiet: bool):
        terminal = sys.stderr is not None and sys.stderr.isatty() and os.environ.get("TERM") != "dumb"
        self._quiet, self._live = quiet, terminal and not quiet
        self._began = self._refreshed = time.monotonic()
        self._shares: dict[str, float] = {}
        self._begun: dict[str, float] = {}
        self._lines: dict[str, TaskID] = {}
        self._screen: Progress | None = None

    def node(self, name: str, share: float) -> None:
        """Report that a node is rendered to this share: 0 while it waits, 1 when it is done."""
        stop_if_asked()
        if self._quiet:
            return
        name = printable(name)
        if self._live:
            self._shares[name] = max(share, self._shares.get(name, 0.0))
            if share > 0.0:
                self._begun.setdefault(name, time.monotonic())
                self._show()
        elif share >= 1.0:
            talk(f"rendered {name}")

    def done(self) -> None:
        """Take the lines away."""
        if self._screen is not None:
            self._screen.stop()
        self._screen = None
        self._lines, self._shares, self._begun = {}, {}, {}
        self._began = time.monotonic()

    def _show(self) -> None:
        now = time.monotonic()
        if now - self._began < PATIENCE_S or now - self._refreshed < REFRESH_S:
            return
        self._refreshed = now
        if self._screen is None:
            self._screen = _screen()
            self._screen.start()
        n_done = sum(share >= 1.0 for share in self._shares.values())
        share = sum(self._shares.values()) / len(self._shares)
        self._set("", f"{n_done} of {len(self._shares)} nodes", share, now - self._began)
        for name, share in self._shares.items():
            if 0.0 < share < 1.0:
                self._set(name, shortened(name, NAME_WIDTH), share, now - self._begun[name])
            elif name in self._lines:
                self._screen.remove_task(self._lines.pop(name))
        self._screen.refresh()

    def _set(self, key: str, text: str, share: float, elapsed_s: float) -> None:
        """Add or change the line of a node; the line of the whole render has an empty key, and is the first."""
        assert self._screen is not None
        left = time_left(share, elapsed_s)
        if key not in self._lines:
            self._lines[key] = self._screen.add_task(text, total=1.0, left=left)
        self._screen.update(self._lines[key], completed=share, description=text, left=left)


def time_left(share: float, elapsed_s: float) -> str:
    """`1:05 left`, if the rest takes as long as what is done; empty while too little is done to say."""
    if share < MIN_SHARE:
        return ""
    left_s = round(elapsed_s * (1.0 - share) / share)
    return f"{left_s // 60}:{left_s % 60:02d} left"


def _screen() -> Progress:
    """The lines, drawn when `refresh` is called and not by a thread of their own: worker processes are forked."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn

    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(30, style="default", complete_style="default", finished_style="default"),
        TaskProgressColumn("{task.percentage:>3.0f} %", style="none", markup=False),
        TextColumn("{task.fields[left]}", markup=False),
    )
    console = Console(stderr=True, highlight=False, no_color=True)
    return Progress(*columns, console=console, auto_refresh=False, transient=True, redirect_stdout=False)
