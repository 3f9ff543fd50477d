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
"""Time after a signal at which a program that is still running ends at once: a pool may wait for ever for a worker."""


class StoppedError(BaseException):
    """A signal asked the program to end.

    Not KeyboardInterrupt: where that one passes through an `exec` (imports of others do this), CPython remembers
    it and kills the process by SIGINT at its end, whatever exit code it was given.
    """

    arrived: ClassVar[list[int]] = []
    """Signals that have arrived: code that is interrupted in an import may raise another error in place of this one."""

    def __init__(self, signum: int):
        self.signum = signum
        self.arrived.append(signum)


def stop(signum: int, _frame: FrameType | None) -> None:
    """Handle a signal: raise StoppedError, and end the process if it is still there after PATIENCE_S."""
    if not StoppedError.arrived:
        # Python reports an exception inside a destructor and continues; `stop_if_asked` raises it again.
        sys.unraisablehook = lambda _error: None
        end = threading.Timer(PATIENCE_S, os._exit, [exit_code(signum)])
        end.daemon = True
        end.start()
    raise StoppedError(signum)


def exit_code(signum: int) -> int:
    """Exit code of a program that a signal ended."""
    return EXIT_INTERRUPTED if signum == signal.SIGINT else EXIT_TERMINATED


def stop_if_asked() -> None:
    """Raise StoppedError again if other code has swallowed it: a bare `except` around an import, say."""
    if StoppedError.arrived:
        raise StoppedError(StoppedError.arrived[0])
