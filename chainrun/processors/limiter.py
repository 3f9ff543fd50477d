"""limiter: keep peaks below a ceiling."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field, model_validator

from chainrun.contract import Keys, Reading, Runner, Step, Stream, processor
from chainrun.contract.misuse import misuse
from chainrun.problem_codes import Code
from chainrun.runtime import ReductionRecorder

if TYPE_CHECKING:
    from typing import Self

    from chainrun.dsp.arrays import Array


@processor
class Limiter(Step):
    """Keep the true peak, or every sample, below a ceiling.

    One gain for all channels falls on a straight ramp before the peak, stays for hold_ms, and returns to 0 dB as a
    one-pole in dB. With ceiling_dbtp the values between samples count: they are computed at 8 times the rate wherever
    they could exceed the ceiling, with a margin of 0.05 dB, so that the output measured at 16 times the rate exceeds
    it by less than 0.1 dB for content up to 20 kHz (at 48 kHz: up to 22). Content within 2 kHz below half the rate is
    seen only in part: it can exceed the ceiling by 0.4 dB, and within 1 kHz by 2.5 dB. If there is any, choose a lower
    ceiling. The gain changes by no more than the peak's excess over lookahead_ms.
    """

    do: Literal["limiter"] = "limiter"
    ceiling_dbtp: float | None = Field(None, ge=-60, le=0, description="maximum true peak; default -1")
    ceiling_dbfs: float | None = Field(None, ge=-60, le=0, description="maximum sample peak, instead of true peak")
    lookahead_ms: float = Field(
        1.5, ge=1, le=20, description="length of the ramp before a peak; the latency is compensated"
    )
    hold_ms: float = Field(5.0, ge=0, le=500, description="time that the gain stays down after a peak")
    release_ms: float = Field(80.0, ge=1, le=5000, description="time constant of the gain's return to 0 dB")

    ns_a_frame = 60.0
    example = {"ceiling_dbtp": -6.0}
    acts = True
    unity = {"ceiling_dbfs": 0.0}
    source = "lookahead with a sliding maximum and a straight ramp, common practice; true peak: ITU-R BS.1770-5 Annex 2"

    @model_validator(mode="after")
    def _one_ceiling(self) -> Self:
        if self.ceiling_dbtp is not None and self.ceiling_dbfs is not None:
            raise misuse(Code.KEYS_CLASH, "give ceiling_dbtp or ceiling_dbfs, not both")
        return self

    def in_words(self) -> str:
        dbtp = -1.0 if self.ceiling_dbtp is None else self.ceiling_dbtp
        peaks = f"true peaks to {dbtp:g} dBTP" if self.ceiling_dbfs is None else f"peaks to {self.ceiling_dbfs:g} dBFS"
        return f"limits {peaks}, release {self.release_ms:g} ms"

    def start(self, stream: Stream) -> Runner:
        return _LimiterRunner(self, stream)


class _LimiterRunner(Runner):
    def __init__(self, step: Limiter, stream: Stream):
        from chainrun.dsp.ballistics import time_constant
        from chainrun.dsp.limiting import MARGIN_DB, limiting_interpolators
        from chainrun.dsp.limiting import LimiterKernel as Kernel
        from chainrun.units import ms_to_frames

        rate = stream.rate_hz
        self.n_channels_out = stream.n_channels
        by_sample = step.ceiling_dbfs is not None
        true_peak_db = step.ceiling_dbtp if step.ceiling_dbtp is not None else -1.0
        self._kernel = Kernel(
            step.ceiling_dbfs if step.ceiling_dbfs is not None else true_peak_db - MARGIN_DB,
            max(1, ms_to_frames(step.lookahead_ms, rate)),
            ms_to_frames(step.hold_ms, rate),
            time_constant(step.release_ms, rate),
            true_peak=() if by_sample else limiting_interpolators(),
        )
        self._state = self._kernel.start_state(stream.n_channels)
        self.latency_frames = self._kernel.latency_frames
        self._recorder = ReductionRecorder(stream, self.latency_frames)

    def run(self, x: Array, keys: Keys) -> Array:
        y, reduction, self._state = self._kernel.run(x, self._state)
        self._recorder.count(reduction, x.shape[1])
        return y

    def readings(self) -> list[Reading]:
        return [self._recorder.reading("limiter")]
