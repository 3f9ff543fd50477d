"""batch.json: the record of each job, which the next run reads; and the journal that is kept while a run lasts.

Each job that ends is a line appended to `.batch.json.MACHINE-PID.journal`, so that a kill loses nothing and the cost of
400 jobs is not that of 400 whole files. batch.json itself is written beside its place and renamed: at the end, and
before that no more often than it costs little. Two runs over one file of jobs keep each other's records: each lays what
it ran over what it finds, under a lock (flock) on the folder.
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
from typing import IO, Any

from chainrun import __version__
from chainrun.batch.job_record import JobRecord, JobState
from chainrun.errors import ResourceError, shown_path
from chainrun.whole_file import is_alive, this_machine, write_whole

SCHEMA_VERSION = 1
SHARE_OF_TIME = 0.05
"""Maximum share of a run that writing batch.json may take."""


def batch_document(records: Iterable[JobRecord], seconds: float) -> dict[str, Any]:
    """Records of jobs as one JSON document: batch.json, and what `batch --json` shows."""
    return {
        "schema_version": SCHEMA_VERSION,
        "engine": __version__,
        "jobs": [record.record() for record in records],
        "seconds": round(seconds, 3),
    }


class BatchRecord:
    """The records of one run's jobs, over those of earlier runs. `say` gets one line if they cannot be written."""

    def __init__(self, path: Path, order: Sequence[str], say: Callable[[str], None]):
        self.path, self._order, self._say = path, list(order), say
        self.lost = False
        """Whether something of it could not be written."""
        self.records: dict[str, JobRecord] = {}
        self._began = time.monotonic()
        self._spent = 0.0
        self._journal: IO[bytes] | None = None
        before, damaged = _read(path)
        if damaged:
            say(f"{shown_path(path)} is damaged or of another version, and was not read: its jobs are run anew")
        self.before = {**before, **_left_by_dead_runs(path)}
        """The records of earlier runs."""

    def add(self, record: JobRecord) -> None:
        """Keep the record of a job that has ended."""
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
        """Write batch.json: this run's records over those that are there."""
        if self.lost:
            return
        began = time.monotonic()
        try:
            with _locked(self.path.parent):
                there, _ = _read(self.path)
                # What was not begun this time stays as the last run left it.
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
        """Write all of it, and take the journals away."""
        self.write(seconds)
        if self._journal is not None:
            self._journal.close()
        if not self.lost:
            for journal in [_journal_of(self.path), *_dead_journals(self.path)]:
                with suppress(OSError):
                    journal.unlink(missing_ok=True)

    def _lose(self, why: str) -> None:
        self.lost = True
        self._say(f"{shown_path(self.path)} cannot be written ({why}): the next run will not know what this one did")


def _journal_of(path: Path) -> Path:
    return path.with_name(f".{path.name}.{this_machine()}-{os.getpid()}.journal")


def _dead_journals(path: Path) -> list[Path]:
    """Journals of runs of this machine that were killed."""
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
                with suppress(ValueError, RecursionError):  # the last line may be cut
                    record = JobRecord.from_record(json.loads(line, parse_constant=_no_constant))
                    if record is not None:
                        found[record.job] = record
    return found


def _no_constant(name: str) -> None:
    raise ValueError(f"{name} is no number")


def _read(path: Path) -> tuple[dict[str, JobRecord], bool]:
    """The records of a batch.json, and whether it is damaged; nothing where there is none."""
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            return {}, True  # a device or a pipe would never end
        document = json.loads(path.read_text(encoding="utf-8"), parse_constant=_no_constant)
        jobs = document["jobs"]
        if document["schema_version"] != SCHEMA_VERSION:
            raise ValueError("of another version")
        if not isinstance(jobs, list):
            raise TypeError("jobs is no list")
    except FileNotFoundError:
        return {}, False
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return {}, True
    good = {record.job: record for one in jobs if (record := JobRecord.from_record(one)) is not None}
    return good, len(good) < len(jobs)


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """One writer at a time, where the file system knows locks."""
    opened = os.open(folder, os.O_RDONLY)
    try:
        with suppress(OSError):
            fcntl.flock(opened, fcntl.LOCK_EX)
        yield
    finally:
        os.close(opened)
