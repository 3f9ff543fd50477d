"""Numbers that are valid by themselves, but do not go with the stream on which a step is used."""

from __future__ import annotations

from dataclasses import dataclass, field

from chainrun.contract.runner import Stream
from chainrun.errors import Severity
from chainrun.problem_codes import Code


@dataclass(frozen=True)
class Misfit:
    """A number that is fine by itself, but does not go with the stream it is used on."""

    key: str
    message: str
    given: str | None = None
    allowed: str | None = None
    hint: str | None = None
    severity: Severity = "error"
    """A warning is told, and the recipe stays valid."""
    code: Code = field(kw_only=True)


def too_high(key: str, freq_hz: float, stream: Stream) -> list[Misfit]:
    """A misfit for a frequency that the rate cannot carry (above 0.49 of it)."""
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
