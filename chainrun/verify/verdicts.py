"""The result of verifying a recipe, and its JSON record."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from chainrun.delivery import RenderResult
from chainrun.errors import EXIT_DONE, EXIT_FAILED, ChainrunError
from chainrun.measured import finite, measured_record
from chainrun.verify.changes import Cause, Note
from chainrun.verify.checks import Check
from chainrun.verify.facts import DeliveryFacts
from chainrun.verify.wording import change_text, check_text, limit_text, note_text, print_change_text

SCHEMA_VERSION = 2
"""Version of the JSON documents of `verify` and of compared baselines."""


@dataclass(frozen=True)
class PlaceOfKey:
    """File and line of a key."""

    file: str | None
    line: int | None


@dataclass(frozen=True)
class DeliveryPair:
    """Facts about a delivery whose samples differ from the baseline's."""

    delivery: str
    was: DeliveryFacts
    now: DeliveryFacts


@dataclass(frozen=True)
class Verdict:
    """Result of verifying, or accepting, one recipe or variant."""

    recipe: str
    """The recipe's name, with the variant's in brackets."""
    path: Path
    baseline: Path
    """Path of its baseline, existing or not."""
    checks: tuple[Check, ...] = ()
    cause: Cause | None = None
    """Cause of the differences; None if all are within their limits."""
    accepted: bool = False
    """Whether the baseline was written."""
    notes: tuple[Note, ...] = ()
    places: Mapping[str, PlaceOfKey] = field(default_factory=dict)
    """File and line of keys that checks and cause name."""
    seconds: float = 0.0
    result: RenderResult | None = None
    compared: tuple[DeliveryPair, ...] = ()

    @property
    def passed(self) -> bool:
        """Whether every check passed."""
        return all(check.passed for check in self.checks)

    @property
    def failed(self) -> list[Check]:
        """The checks that did not pass."""
        return [check for check in self.checks if not check.passed]

    def record(self) -> dict[str, object]:
        """The verdict as a JSON object."""
        return {
            "recipe": self.recipe,
            "file": str(self.path),
            "baseline": str(self.baseline),
            "passed": self.passed,
            "accepted": self.accepted,
            "checks": [check_record(check) for check in self.checks],
            "cause": cause_record(self.cause) if self.cause is not None else None,
            "notes": [note_text(note) for note in self.notes],
            "deliveries": [
                {"file": Path(one.file).name, "measured": measured_record(one.measured), "pcm_sha256": one.pcm_sha256}
                for one in (self.result.deliveries if self.result is not None else [])
            ],
            "seconds": round(self.seconds, 3),
        }


@dataclass(frozen=True)
class Refused:
    """A recipe that could not be verified, and the reason."""

    path: Path
    error: ChainrunError


@dataclass(frozen=True)
class Verified:
    """Result of verifying several recipes."""

    verdicts: tuple[Verdict, ...] = ()
    refused: tuple[Refused, ...] = ()

    @classmethod
    def of(cls, results: Iterable[Verdict | Refused]) -> Verified:
        """Separate verdicts from refusals."""
        found = list(results)
        return cls(
            tuple(one for one in found if isinstance(one, Verdict)),
            tuple(one for one in found if isinstance(one, Refused)),
        )

    @property
    def passed(self) -> bool:
        """Whether every recipe was verified and passed."""
        return not self.refused and all(verdict.passed for verdict in self.verdicts)

    @property
    def exit_code(self) -> int:
        """Exit code of a program: that of the worst refusal, else done or failed."""
        if self.refused:
            return max(one.error.exit_code for one in self.refused)
        return EXIT_DONE if self.passed else EXIT_FAILED

    def record(self) -> dict[str, object]:
        """The JSON document of `verify`; refused recipes count as not passed."""
        return {
            "schema_version": SCHEMA_VERSION,
            "passed": self.passed,
            "results": [verdict.record() for verdict in self.verdicts],
            "problems": [problem.record() for one in self.refused for problem in one.error.problems],
        }


def check_record(check: Check) -> dict[str, object]:
    """A check as a JSON object."""
    return {
        "name": check.name,
        "passed": check.passed,
        "text": check_text(check),
        "measured": finite(check.figure, 4),
        "was": finite(check.figure_before, 4),
        "limit": limit_text(check),
        "key": check.key or None,
    }


def cause_record(cause: Cause) -> dict[str, object]:
    """A cause as a JSON object."""
    return {
        "node": cause.node,
        "differences": [print_change_text(one) for one in cause.differences],
        "changed": {one.key: change_text(one) for one in cause.changed},
        "nodes": list(cause.nodes),
    }
