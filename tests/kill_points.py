"""Runs the program so that a signal hits it at its n-th rename, open, block of sound or import.

The points are Python's audit events, which know no module of the package, and blocks that soundfile writes (`sound`) and reads (`heard`). Modules are
imported before the program's own only where they come with Python. tests/program.py starts processes of this kind.
"""

from __future__ import annotations

import atexit
import json
import os
import signal
import sys
from collections import Counter
from pathlib import Path

POINTS = {
    "os.rename": "rename",
    "os.mkdir": "make",
    "os.remove": "remove",
    "import": "import",
    "socket.connect": "worker",
}
"""Audit events and the names of their points; a worker is asked of its server by a socket."""


class Switch:
    """Counts points; at the one that is meant the process sends itself the signal."""

    def __init__(self, point: str, number: int, signum: int):
        self.meant, self.signum, self.counts = (point, number), signum, Counter()

    def reach(self, point: str) -> None:
        self.counts[point] += 1
        if self.meant == (point, self.counts[point]):
            os.kill(os.getpid(), self.signum)

    def watched(self, real, point: str):
        """A method that reaches a point before each call."""

        def call(*arguments, **more):
            self.reach(point)
            return real(*arguments, **more)

        return call

    def hear(self, event: str, arguments: tuple) -> None:
        if event == "open":
            path, mode, flags = arguments
            writes = any(letter in mode for letter in "wax+") if isinstance(mode, str) else flags & os.O_CREAT
            if writes and not str(path).startswith("/dev"):
                self.reach("write")
        elif event in POINTS:
            self.reach(POINTS[event])


def begin() -> None:
    """The program's first step, after the words: point, number, signal, file for the counts (or nothing)."""
    point, number, signum, told, *arguments = sys.argv[1:]
    switch = Switch(point, int(number), int(signum))
    if told:
        atexit.register(lambda: Path(told).write_text(json.dumps(switch.counts)))
    if point in ("sound", "heard") or told:
        import soundfile

        for name, reached in (("write", "sound"), ("read", "heard")):
            setattr(soundfile.SoundFile, name, switch.watched(getattr(soundfile.SoundFile, name), reached))
    from chainrun.cli.start import run

    sys.argv = ["chainrun", *arguments]
    sys.addaudithook(switch.hear)
    run()


NEVER = ("", 0, signal.SIGCONT)
"""A point that is never reached, and a signal that does nothing: all points are only counted."""
