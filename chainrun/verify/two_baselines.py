"""Compares two baselines without the audio of either."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from chainrun.errors import Problem, UsageError
from chainrun.problem_codes import Code
from chainrun.recipe.model import Tolerances
from chainrun.verify import baseline
from chainrun.verify.causes import find_cause
from chainrun.verify.changed import is_baseline
from chainrun.verify.changes import Cause
from chainrun.verify.checks import Check, Samples
from chainrun.verify.judge import judge_delivery, samples_check
from chainrun.verify.verdicts import SCHEMA_VERSION, cause_record, check_record
from chainrun.verify.wording import cause_lines, check_text


@dataclass(frozen=True)
class TwoBaselines:
    """Result of comparing two baselines."""

    a: Path
    b: Path
    checks: tuple[Check, ...]
    cause: Cause

    @property
    def passed(self) -> bool:
        """Whether all checks are within their limits."""
        return all(check.passed for check in self.checks)

    def sentence(self) -> str:
        """The verdict in one sentence."""
        failed = sum(not check.passed for check in self.checks)
        return (
            f"differs: {failed} of {len(self.checks)} checks are over their limit"
            if failed
            else "no audible difference"
        )

    def text(self) -> str:
        """Checks, cause and verdict, one line each."""
        lines = [f"{check.name}: {check_text(check)}" for check in self.checks]
        lines += [f"cause: {line}" for line in cause_lines(self.cause)]
        return "\n".join([*lines, "", f"{self.sentence()} (time and level were not matched)"])

    def record(self) -> dict[str, object]:
        """The comparison as a JSON document."""
        return {
            "schema_version": SCHEMA_VERSION,
            "files": [str(self.a), str(self.b)],
            "checks": [check_record(check) for check in self.checks],
            "cause": cause_record(self.cause),
            "verdict": self.sentence(),
        }


def no_pair() -> UsageError:
    """The error for a baseline that is compared with nothing, or with something else."""
    return UsageError(
        Problem(
            "a baseline can only be compared with another baseline",
            hint="verify compares a recipe with its own",
            code=Code.NOT_COMPARABLE,
        )
    )


def compare_baselines(a: Path, b: Path, limits: Tolerances | None = None) -> TwoBaselines:
    """Judge the deliveries of baseline B against those of A, within `limits` or the default tolerances.

    Raises UsageError if one is not a baseline, RecipeError if one is damaged.
    """
    if not (is_baseline(a) and is_baseline(b)):
        raise no_pair()
    was, now, limits = baseline.read(a), baseline.read(b), limits or Tolerances()
    checks: list[Check] = []
    for name in [one for one in was.deliveries if one in now.deliveries]:
        checks += judge_delivery(name, was.deliveries[name], now.deliveries[name], limits)
    checks += [samples_check(name, Samples.ONLY_IN_A) for name in was.deliveries if name not in now.deliveries]
    checks += [samples_check(name, Samples.ONLY_IN_B) for name in now.deliveries if name not in was.deliveries]
    return TwoBaselines(a, b, tuple(checks), find_cause(was, now, limits))
