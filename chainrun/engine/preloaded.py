"""Module that the worker server imports before it forks workers, so that the engine is imported once. No other use.

A worker that starts while the program ends fails to connect; its traceback would only confuse the user.
"""

from __future__ import annotations

import os
import sys

import chainrun.engine.work  # noqa: F401

if not os.environ.get("CHAINRUN_TRACEBACK"):
    sys.excepthook = lambda _kind, _error, _trace: None
