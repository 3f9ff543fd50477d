"""Signals that ask the program to end."""

from __future__ import annotations

import os
import signal
import sys
import threading
from types import FrameType
from typing import ClassVar

from chainrun.errors import EXIT_INTERRUPTED, EXIT_TERMINATED

PATIENCE_S = 8.0
"""A program that has not ended so long after a signal (a pool that waits for a worker which never came) just ends."""


class StoppedError(BaseException):
    """A signal asks the program to end.

    Not KeyboardInterrupt: where that one passes through an `exec` (imports of others do this), CPython remembers
    it and kills the process by SIGINT at its end, whatever exit code it was given.
    """

    arrived: ClassVar[list[int]] = []
    """Signals so far: code that was interrupted in an import may raise something else in place of this."""

    def __init__(self, signum: int):
        self.signum = signum
        self.arrived.append(signum)


def stop(signum: int, _frame: FrameType | None) -> None:
    """The handler of the signals."""
    if not StoppedError.arrived:
        # Where the exception strikes inside a destructor, Python says so and goes on; `stop_if_asked` raises it again.
        sys.unraisablehook = lambda _told: None
        end = threading.Timer(PATIENCE_S, os._exit, [exit_code(signum)])
        end.daemon = True
        end.start()
    raise StoppedError(signum)


def exit_code(signum: int) -> int:
    """Exit code of a program that a signal ended."""
    return EXIT_INTERRUPTED if signum == signal.SIGINT else EXIT_TERMINATED


def stop_if_asked() -> None:
    """Raise again what the code of others has swallowed (a bare `except` around an import, say)."""
    if StoppedError.arrived:
        raise StoppedError(StoppedError.arrived[0])
