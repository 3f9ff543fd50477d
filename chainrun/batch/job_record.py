"""The record of one job, as it is kept in batch.json."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, TypeAdapter, ValidationError

from chainrun.audiofile.read import hash_content
from chainrun.batch.jobs import plain_path
from chainrun.batch.summary import RenderSummary
from chainrun.comparison.verdict import IDENTICAL
from chainrun.errors import ChainrunError, Problem
from chainrun.whole_file import stamp


class JobState(StrEnum):
    """Outcome of a job."""

    DONE = "done"
    """Rendered and delivered."""
    KEPT = "kept"
    """Not rendered: the files of its last run exist and would come out the same."""
    MISSED = "missed"
    """Delivered, but a target was missed, in this run or in the last one."""
    FAILED = "failed"
    """Nothing was delivered."""
    NOT_RUN = "not run"
    """Not started, because another job failed."""

    @property
    def delivered(self) -> bool:
        """Whether its files were delivered."""
        return self in (JobState.DONE, JobState.KEPT, JobState.MISSED)

    @property
    def good(self) -> bool:
        """Whether it needs no attention."""
        return self in (JobState.DONE, JobState.KEPT)


@dataclass(frozen=True)
class JobFile:
    """A delivered file with its hash and stamp, to detect later changes."""

    file: Annotated[str, AfterValidator(plain_path)]
    sha256: str
    stamp: tuple[int, ...]

    @classmethod
    def of(cls, path: Path) -> JobFile:
        """The record of a file in its current state. Raises AudioError, OSError."""
        return cls(str(path), hash_content(path), stamp(path))

    def is_there(self) -> bool:
        """Whether the file exists with the same content."""
        path = Path(self.file)
        try:
            return stamp(path) == self.stamp or hash_content(path) == self.sha256
        except (OSError, ChainrunError):
            return False

    def record(self) -> dict[str, object]:
        """The record as a JSON object."""
        return {"file": self.file, "sha256": self.sha256, "stamp": list(self.stamp)}


@dataclass(frozen=True)
class ChangeByOverlays:
    """Difference that a job's overlays make, in the delivery that they change most."""

    residual_lu: float | None = None
    """None if all samples are identical or the original is silent; see the verdict."""
    level_change_lu: float = 0.0
    verdict: str = IDENTICAL
    file: str | None = None

    def record(self) -> dict[str, object]:
        """The record as a JSON object."""
        return {
            "residual_lu": self.residual_lu,
            "level_change_lu": self.level_change_lu,
            "verdict": self.verdict,
            "file": self.file,
        }


@dataclass(frozen=True)
class JobRecord:
    """The record of a job. Times are in seconds and rounded as in batch.json."""

    job: str
    state: JobState
    seconds: float = 0.0
    error: str | None = None
    """Reason in one line why it failed, missed its target or was not started."""
    kept: bool = False
    """Whether its files are those of an earlier run."""
    fingerprint: str | None = None
    """Hash of all that determines its files."""
    files: tuple[JobFile, ...] = ()
    difference: ChangeByOverlays | None = None
    result: RenderSummary | None = None
    problems: tuple[Problem, ...] = ()
    exit_code: int | None = None
    """Exit code of a render that fails in the same way."""

    @classmethod
    def failed(cls, job: str, error: ChainrunError, seconds: float) -> JobRecord:
        """The record of a job that failed."""
        return cls(
            job,
            JobState.FAILED,
            round(seconds, 3),
            error.problems[0].text().splitlines()[0] if error.problems else None,
            problems=tuple(error.problems),
            exit_code=error.exit_code,
        )

    @classmethod
    def not_run(cls, job: str) -> JobRecord:
        """The record of a job that was not started."""
        return cls(job, JobState.NOT_RUN, error="another job failed")

    def kept_again(self, seconds: float) -> JobRecord:
        """This record of an earlier run as one of this run, which found nothing to render."""
        state = JobState.MISSED if self.state is JobState.MISSED else JobState.KEPT
        return replace(self, state=state, kept=True, seconds=round(seconds, 3))

    def holds(self, fingerprint: str) -> bool:
        """Whether a job with this fingerprint is done: delivered with the same one, and its files still exist."""
        return self.state.delivered and self.fingerprint == fingerprint and all(one.is_there() for one in self.files)

    def record(self) -> dict[str, object]:
        """The record as a JSON object; its fields depend on the state."""
        if self.state.delivered:
            return {
                "job": self.job,
                "state": self.state.value,
                "kept": self.kept,
                "seconds": self.seconds,
                "error": self.error,
                "fingerprint": self.fingerprint,
                "files": [one.record() for one in self.files],
                "difference": self.difference.record() if self.difference is not None else None,
                "result": self.result.record() if self.result is not None else None,
            }
        record: dict[str, object] = {
            "job": self.job,
            "state": self.state.value,
            "seconds": self.seconds,
            "error": self.error,
        }
        if self.state is JobState.FAILED:
            record |= {"problems": [one.record() for one in self.problems], "exit_code": self.exit_code}
        return record

    @classmethod
    def from_record(cls, record: object) -> JobRecord | None:
        """The record from a JSON object; None if that is damaged."""
        try:
            return _RECORD.validate_python(record)
        except ValidationError:
            return None


_RECORD = TypeAdapter(JobRecord)


def counts(records: Sequence[JobRecord]) -> str:
    """Number of jobs in each state, in words: `2 done, 1 failed`."""
    states = [record.state for record in records]
    return ", ".join(f"{states.count(state)} {state}" for state in dict.fromkeys(states))
