"""delay: delay a signal by samples, milliseconds or metres."""

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
class Delay(Step):
    """Delay the signal. Fractions of a sample are interpolated by a windowed sinc of 64 taps."""

    do: Literal["delay"] = "delay"
    time_samples: float | None = Field(None, ge=0, le=1e6, description="delay at the working rate")
    time_ms: float | None = Field(None, ge=0, le=5000, description="delay as a time")
    distance_m: float | None = Field(None, ge=0, le=1000, description="delay as a distance that sound travels in air")
    temperature_c: float = Field(20.0, ge=-40, le=60, description="air temperature, for distance_m")

    example = {"time_ms": 1.35}
    unity = {"time_samples": 0.0}
    linear = True
    source = "Laakso, Valimaki, Karjalainen, Laine, IEEE Signal Processing Magazine 13(1), 1996; ISO 9613-1:1993"

    @model_validator(mode="after")
    def _one_time(self) -> Self:
        if sum(value is not None for value in (self.time_samples, self.time_ms, self.distance_m)) != 1:
            raise misuse(Code.KEYS_CLASH, "give one of time_samples, time_ms and distance_m")
        return self

    def delay_frames(self, rate_hz: int) -> float:
        """Delay in frames, with its fraction."""
        from chainrun.units import speed_of_sound

        if self.time_samples is not None:
            return self.time_samples
        if self.time_ms is not None:
            return self.time_ms * rate_hz / 1000.0
        assert self.distance_m is not None
        return self.distance_m / speed_of_sound(self.temperature_c) * rate_hz

    def held_s(self, stream: Stream) -> float:
        return 1.0 + stream.n_channels * self.delay_frames(stream.rate_hz) / stream.rate_hz

    def start(self, stream: Stream) -> Runner:
        return _DelayRunner(stream.n_channels, self.delay_frames(stream.rate_hz))


class _DelayRunner(Runner):
    def __init__(self, n_channels: int, delay_frames: float):
        from chainrun.dsp.delay_line import DelayLine
        from chainrun.dsp.fractional_delay import HALF_TAPS, sinc_taps, split_delay

        self.n_channels_out = n_channels
        whole, fraction = split_delay(delay_frames)
        self._taps = sinc_taps(fraction) if fraction else None
        # The interpolator itself is late by HALF_TAPS - 1 frames, which count to the delay if it is long enough.
        inherent = HALF_TAPS - 1 if fraction else 0
        self.latency_frames = max(0, inherent - whole)
        self.tail_frames = whole + (HALF_TAPS + 1 if fraction else 0)
        self._line = DelayLine(n_channels, max(0, whole - inherent))
        self._history = DelayLine(n_channels, self._taps.size - 1) if self._taps is not None else None

    def run(self, x: Array, keys: Keys) -> Array:
        x = self._line.run(x)
        if self._history is None or self._taps is None:
            return x.copy()
        from chainrun.dsp.fractional_delay import fir

        return fir(self._history.window(x), self._taps)
