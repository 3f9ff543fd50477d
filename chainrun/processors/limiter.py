"""limiter: a ceiling that holds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from chainrun.contract import Keys, Reading, ReductionRecorder, Runner, Step, Stream, processor

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array


@processor
class Limiter(Step):
    """Hold every sample under the ceiling, with one gain for all channels that goes down before the peak comes."""

    do: Literal["limiter"] = "limiter"
    ceiling_dbfs: float = Field(-1.0, ge=-60, le=0, description="no sample gets louder than this")
    lookahead_ms: float = Field(1.5, ge=0.1, le=20, description="length of the ramp before a peak; compensated latency")
    hold_ms: float = Field(5.0, ge=0, le=500, description="time that the gain stays down")
    release_ms: float = Field(80.0, ge=1, le=5000, description="time constant of its return, in dB")

    example = {"ceiling_dbfs": -6.0}
    unity = {"ceiling_dbfs": 0.0}
    source = "lookahead with a sliding maximum and a straight ramp, common practice"

    def start(self, stream: Stream) -> Runner:
        return _LimiterRunner(self, stream)


class _LimiterRunner(Runner):
    def __init__(self, step: Limiter, stream: Stream):
        from chainrun.dsp.ballistics import time_constant
        from chainrun.dsp.limiting import Limiter as Kernel
        from chainrun.units import ms_to_frames

        rate = stream.rate_hz
        self.n_channels_out = stream.n_channels
        self._kernel = Kernel(
            step.ceiling_dbfs,
            max(1, ms_to_frames(step.lookahead_ms, rate)),
            ms_to_frames(step.hold_ms, rate),
            time_constant(step.release_ms, rate),
        )
        self._state = self._kernel.start_state(stream.n_channels)
        self.latency_frames = self._kernel.latency_frames
        self._recorder = ReductionRecorder(rate, stream.latency_frames + self.latency_frames)

    def run(self, x: Array, keys: Keys) -> Array:
        y, reduction, self._state = self._kernel.run(x, self._state)
        self._recorder.count(reduction, x.shape[1])
        return y

    def readings(self) -> list[Reading]:
        return [self._recorder.reading("limiter")]
