"""What the server of workers imports before it forks them: the engine, once. Nobody else imports this.

A worker that is being born while the program ends finds nothing to talk to: that is no news for the user.
"""

from __future__ import annotations

import os
import sys

import chainrun.engine.work  # noqa: F401

if not os.environ.get("CHAINRUN_TRACEBACK"):
    sys.excepthook = lambda _kind, _error, _trace: None
