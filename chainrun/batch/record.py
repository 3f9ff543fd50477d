"""Keeps batch.json, the record of each job for the next run, and the journal of a run in progress.

When a job ends, a line is appended to `.batch.json.MACHINE-PID.journal`, so that a kill loses nothing and batch.json
need not be written for every job. batch.json itself is replaced as a whole at the end, and before that only as often
as it costs little time. Two runs over one file of jobs keep each other's records: each merges its own into the file,
under a lock (flock) on the folder.
"""

from __future__ import annotations

import fcntl
import json
import os
import stat
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from chainrun import __version__
from chainrun.batch.job_record import JobRecord, JobState
from chainrun.errors import ResourceError, shown_path
from chainrun.whole_file import is_alive, this_machine, write_whole

SCHEMA_VERSION = 2
SHARE_OF_TIME = 0.05
"""Maximum share of a run's time for writing batch.json."""


def batch_document(records: Iterable[JobRecord], seconds: float) -> dict[str, object]:
    """Records of jobs as one JSON document, for batch.json and `batch --json`."""
    return {
        "schema_version": SCHEMA_VERSION,
        "engine": __version__,
        "jobs": [record.record() for record in records],
        "seconds": round(seconds, 3),
    }


class BatchRecord:
    """Records of a run's jobs, merged into those of earlier runs. `say` gets one line if they cannot be written."""

    def __init__(self, path: Path, order: Sequence[str], say: Callable[[str], None]):
        self.path, self._order, self._say = path, list(order), say
        self.lost = False
        """Whether some record could not be written."""
        self.records: dict[str, JobRecord] = {}
        self._began = time.monotonic()
        self._spent = 0.0
        self._journal: IO[bytes] | None = None
        before, damaged = _read(path)
        if damaged:
            say(f"{shown_path(path)} is damaged or of another version, and was not read: all jobs run again")
        self.before = {**before, **_left_by_dead_runs(path)}
        """Records of earlier runs."""

    def add(self, record: JobRecord) -> None:
        """Add the record of a job that has ended."""
        self.records[record.job] = record
        if self.lost:
            return
        line = (json.dumps(record.record(), allow_nan=False) + "\n").encode()
        try:
            if self._journal is None:
                self._journal = _journal_of(self.path).open("ab")
            self._journal.write(line)
            self._journal.flush()
        except OSError as error:
            self._lose(error.strerror or str(error))
            return
        if self._spent < SHARE_OF_TIME * (time.monotonic() - self._began):
            self.write(0.0)

    def write(self, seconds: float) -> None:
        """Write batch.json: this run's records merged into those in the file."""
        if self.lost:
            return
        began = time.monotonic()
        try:
            with _locked(self.path.parent):
                there, _ = _read(self.path)
                # A job that was not started keeps the record of its last run.
                known = {**self.before, **there}
                begun = {
                    k: one for k, one in self.records.items() if one.state is not JobState.NOT_RUN or k not in known
                }
                records = {**known, **begun}
                document = batch_document((records[name] for name in self._order if name in records), seconds)
                write_whole(self.path, json.dumps(document, indent=1, allow_nan=False), "the batch's record")
        except ResourceError as error:
            self._lose(error.problems[0].message)
        except OSError as error:
            self._lose(error.strerror or str(error))
        self._spent += time.monotonic() - began

    def close(self, seconds: float) -> None:
        """Write batch.json, and remove the journals."""
        self.write(seconds)
        if self._journal is not None:
            self._journal.close()
        if not self.lost:
            for journal in [_journal_of(self.path), *_dead_journals(self.path)]:
                with suppress(OSError):
                    journal.unlink(missing_ok=True)

    def _lose(self, why: str) -> None:
        self.lost = True
        self._say(f"{shown_path(self.path)} cannot be written ({why}): the next run will repeat this one's jobs")


def _journal_of(path: Path) -> Path:
    return path.with_name(f".{path.name}.{this_machine()}-{os.getpid()}.journal")


def _dead_journals(path: Path) -> list[Path]:
    """Journals of killed runs on this machine."""
    found = []
    for journal in sorted(path.parent.glob(f".{path.name}.{this_machine()}-*.journal")):
        pid = journal.name.removesuffix(".journal").rpartition("-")[2]
        if pid.isdigit() and not is_alive(int(pid)):
            found.append(journal)
    return found


def _left_by_dead_runs(path: Path) -> dict[str, JobRecord]:
    found: dict[str, JobRecord] = {}
    for journal in _dead_journals(path):
        with suppress(OSError):
            for line in journal.read_bytes().split(b"\n"):
                with suppress(ValueError, RecursionError):  # the last line may be incomplete
                    record = JobRecord.from_record(json.loads(line, parse_constant=_no_constant))
                    if record is not None:
                        found[record.job] = record
    return found


def _no_constant(name: str) -> None:
    raise ValueError(f"{name} is not a number")


def _read(path: Path) -> tuple[dict[str, JobRecord], bool]:
    """The records of a batch.json, and whether it is damaged; empty if there is no file."""
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            return {}, True  # reading a device or a pipe might never end
        document = json.loads(path.read_text(encoding="utf-8"), parse_constant=_no_constant)
        jobs = document["jobs"]
        if document["schema_version"] != SCHEMA_VERSION:
            raise ValueError("of another version")
        if not isinstance(jobs, list):
            raise TypeError("jobs is not a list")
    except FileNotFoundError:
        return {}, False
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return {}, True
    good = {record.job: record for one in jobs if (record := JobRecord.from_record(one)) is not None}
    return good, len(good) < len(jobs)


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """Allow one writer at a time, if the file system supports locks."""
    opened = os.open(folder, os.O_RDONLY)
    try:
        with suppress(OSError):
            fcntl.flock(opened, fcntl.LOCK_EX)
        yield
    finally:
        os.close(opened)
