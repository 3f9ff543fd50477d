"""Event log of a render or a batch: one JSON object per line.

Every record has `time` (UTC, ISO 8601), `run` and `event`. The events and their fields:

    start        engine, recipe, recipe_hash, rate_hz, nodes, to_render, workers, store, print_bytes, file_bytes
    node_begin   node, kind
    node_end     node, kind, from_store, seconds, frames, peak_memory_mb (null if unknown)
    node_again   node (its worker died, and it is rendered again)
    delivered    file, integrated_lufs, true_peak_dbtp, pcm_sha256
    warning      message
    error        problems, exit_code
    end          seconds, failures
    job_begin    job
    job_end      job, state, seconds, error

Names do not change; new ones may be added. Each record is flushed when written, so a log can be followed.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from chainrun.errors import Problem, ResourceError
from chainrun.problem_codes import Code
from chainrun.whole_file import refuse_others


class EventLog:
    """Appends records to a file; does nothing if `path` is None.

    Raises ResourceError if the file cannot be written; with `say`, calls that once with the problem instead.
    """

    def __init__(self, path: Path | None, run: str = "", *, say: Callable[[str], None] | None = None):
        self.run, self._say = run, say
        self.lost = False
        """Whether writing failed; nothing is written after that."""
        self.path = path
        self._file = None
        if path is not None:
            refuse_others(path, "a log of chainrun", _is_log)
            try:
                path.parent.mkdir(parents=True, exist_ok=True)
                self._file = path.open("a", encoding="utf-8")
            except OSError as error:
                self._lose(error)

    def record(self, event: str, **fields: Any) -> None:
        """Write one record."""
        if self._file is None:
            return
        now = datetime.now(UTC).isoformat(timespec="milliseconds")
        record = {"time": now, "run": self.run, "event": event, **{key: _plain(value) for key, value in fields.items()}}
        try:
            self._file.write(json.dumps(record) + "\n")
            self._file.flush()
        except OSError as error:
            self._lose(error)

    def _lose(self, error: OSError) -> None:
        self.lost = True
        if self._file is not None:
            with suppress(OSError):
                self._file.close()
            self._file = None
        message = f"the log cannot be written ({error.strerror})"
        problem = Problem(message, file=str(self.path), code=Code.LOG_NOT_WRITTEN)
        if self._say is None:
            raise ResourceError(problem) from error
        self._say(f"{problem.text()}; work continues without a log")

    def close(self) -> None:
        """Close the file."""
        if self._file is not None:
            file, self._file = self._file, None
            try:
                file.close()
            except OSError as error:
                self._lose(error)


def _is_log(begin: bytes) -> bool:
    """Whether a file begins with a record of this log."""
    return begin.startswith(b'{"time": "') and b'"event": "' in begin.split(b"\n", 1)[0]


def _plain(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return str(value) if isinstance(value, Path) else value
