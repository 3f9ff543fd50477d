"""fade: fade in from silence, and out to silence."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field, model_validator

from chainrun.contract import Keys, Runner, Step, Stream, processor
from chainrun.contract.misuse import misuse
from chainrun.problem_codes import Code

if TYPE_CHECKING:
    from typing import Self

    from chainrun.dsp.arrays import Array


@processor
class Fade(Step):
    """Fade in between two times of the session, and out between two others, by raised cosines.

    Before the fade in and after the fade out there is silence.
    """

    do: Literal["fade"] = "fade"
    in_from_s: float | None = Field(None, ge=0, le=86400, description="start of the fade in; default 0")
    in_to_s: float | None = Field(None, ge=0, le=86400, description="end of the fade in")
    out_from_s: float | None = Field(None, ge=0, le=86400, description="start of the fade out")
    out_to_s: float | None = Field(None, ge=0, le=86400, description="end of the fade out")

    example = {"in_to_s": 0.05, "out_from_s": 0.1, "out_to_s": 0.2}
    unity = {"in_to_s": 0.0}
    linear = True
    source = "common practice"

    @model_validator(mode="after")
    def _has_ends(self) -> Self:
        if self.in_to_s is None and self.out_to_s is None:
            raise misuse(Code.MISSING_KEY, "give in_to_s, or out_from_s and out_to_s")
        if (self.out_from_s is None) != (self.out_to_s is None):
            raise misuse(Code.KEYS_INCOMPLETE, "out_from_s and out_to_s go together")
        if self.in_from_s is not None and (self.in_to_s is None or self.in_to_s < self.in_from_s):
            raise misuse(Code.WRONG_ORDER, "in_to_s must be later than in_from_s")
        if self.out_from_s is not None and self.out_to_s is not None and self.out_to_s < self.out_from_s:
            raise misuse(Code.WRONG_ORDER, "out_to_s must be later than out_from_s")
        if self.in_to_s is not None and self.out_from_s is not None and self.out_from_s < self.in_to_s:
            message = "out_from_s must not be earlier than in_to_s: a fade out cannot begin before the fade in ends"
            raise misuse(Code.WRONG_ORDER, message)
        return self

    def in_words(self) -> str:
        words = [f"in from {self.in_from_s or 0.0:g} to {self.in_to_s:g} s"] if self.in_to_s is not None else []
        words += [f"out from {self.out_from_s:g} to {self.out_to_s:g} s"] if self.out_to_s is not None else []
        return " and ".join(words)

    def start(self, stream: Stream) -> Runner:
        return _FadeRunner(self, stream)


class _FadeRunner(Runner):
    def __init__(self, step: Fade, stream: Stream):
        self.n_channels_out = stream.n_channels
        self._rate = stream.rate_hz
        # The input is late by the latency accumulated before this step.
        self._at = stream.begin_frame - stream.latency_frames
        self._rise = (step.in_from_s or 0.0, step.in_to_s) if step.in_to_s is not None else None
        self._fall = (
            (step.out_from_s, step.out_to_s) if step.out_from_s is not None and step.out_to_s is not None else None
        )

    def run(self, x: Array, keys: Keys) -> Array:
        import numpy as np

        n = x.shape[1]
        seconds = np.arange(self._at, self._at + n) / self._rate
        self._at += n
        gain = np.ones(n)
        for ends, sign in ((self._rise, 1.0), (self._fall, -1.0)):
            if ends is not None:
                begin, end = ends
                share = np.clip((seconds - begin) / max(end - begin, 1e-9), 0.0, 1.0)
                if end == begin:
                    share = (seconds >= begin).astype(np.float64)
                gain *= 0.5 - sign * 0.5 * np.cos(np.pi * share)
        return x * gain
