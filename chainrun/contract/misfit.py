"""Misfits: values that are valid by themselves, but not for the stream on which a step is used."""

from __future__ import annotations

from dataclasses import dataclass, field

from chainrun.contract.runner import Stream
from chainrun.errors import Severity
from chainrun.problem_codes import Code


@dataclass(frozen=True)
class Misfit:
    """Value that is valid by itself, but not for the stream on which its step is used."""

    key: str
    message: str
    given: str | None = None
    allowed: str | None = None
    hint: str | None = None
    severity: Severity = "error"
    """A warning is reported, and the recipe stays valid."""
    code: Code = field(kw_only=True)


def too_high(key: str, freq_hz: float, stream: Stream) -> list[Misfit]:
    """Misfit of a frequency above 0.49 of the rate; an empty list for a lower one."""
    highest = 0.49 * stream.rate_hz
    if freq_hz <= highest:
        return []
    return [
        Misfit(
            key,
            f"too high for a rate of {stream.rate_hz} Hz",
            given=f"{freq_hz:g}",
            allowed=f"up to {highest:g} Hz",
            code=Code.RATE_TOO_LOW,
        )
    ]
