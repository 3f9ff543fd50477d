"""The program's first step: handlers that end it silently if a signal arrives during the imports."""

from __future__ import annotations

import os
import signal
from types import FrameType

EXIT_CODES = {"SIGINT": 130, "SIGTERM": 143, "SIGHUP": 143}


def _end(signum: int, _frame: FrameType | None) -> None:
    os._exit(EXIT_CODES.get(signal.Signals(signum).name, 143))


def run() -> None:
    """Run the program and end the process with its exit code."""
    for name in EXIT_CODES:
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), _end)
    from chainrun.cli.app import run as begin

    begin()
