"""expander: more difference between loud and quiet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from chainrun.contract import Runner, Stream, Thresholded, processor
from chainrun.runtime import DynamicsRunner

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array

QUIET = 1e-30


@processor
class Expander(Thresholded):
    """Turn down what is below the threshold: a dB under it comes out as `ratio` dB, down to range_db.

    The softer relative of the gate. The level is a held peak or a running mean square; the reduction is smoothed with
    the attack while the level rises and the release while it falls (branching smoother).
    """

    do: Literal["expander"] = "expander"
    ratio: float = Field(2.0, ge=1, le=100, description="dB that come out for each dB below the threshold")
    knee_db: float = Field(6.0, ge=0, le=60, description="width of the soft knee around the threshold")
    range_db: float = Field(40.0, ge=0, le=120, description="most that is ever taken away")
    attack_ms: float = Field(1.0, ge=0, le=1000, description="time constant while the level rises (63.2 %)")
    hold_ms: float = Field(0.0, ge=0, le=2000, description="time that a level counts on after it has fallen")
    release_ms: float = Field(120.0, ge=0.1, le=10000, description="time constant while the level falls")
    lookahead_ms: float = Field(0.0, ge=0, le=50, description="acts so far before the hit; compensated latency")
    detect: Literal["peak", "rms"] = Field("peak", description="level by held peak, or by mean square")
    window_ms: float = Field(10.0, ge=0.01, le=500, description="decay of the held peak, or time constant of the mean")
    stereo_link_pct: float = Field(100.0, ge=0, le=100, description="how far the channels share one gain")

    example = {"threshold_dbfs": -30.0, "ratio": 2.5}
    acts = True
    unity = {"threshold_dbfs": -30.0, "ratio": 1.0}
    source = "static curve as in JAES 60(6), 2012, mirrored at the threshold; smoother: the same"

    def in_words(self) -> str:
        begin = self.threshold_in_words().removeprefix("at ")
        return f"makes what lies {begin} and lower softer, {self.ratio:g} dB for each, by {self.range_db:g} dB at most"

    def start(self, stream: Stream) -> Runner:
        return _ExpanderRunner(self, stream)


class _ExpanderRunner(DynamicsRunner):
    def __init__(self, step: Expander, stream: Stream):
        import numpy as np

        from chainrun.dsp.ballistics import Branching, time_constant
        from chainrun.dsp.gain_computer import BelowCurve
        from chainrun.dsp.level import LevelDetector
        from chainrun.dsp.sliding import TrailingMax
        from chainrun.units import ms_to_frames

        super().__init__(step, stream, step.lookahead_ms, step.stereo_link_pct)
        rate = stream.rate_hz
        self._curve = BelowCurve(step.threshold(stream), step.ratio - 1.0, step.knee_db, step.range_db)
        # The reduction grows while the level falls: there the release acts.
        self._smoother = Branching(
            time_constant(step.release_ms, rate), time_constant(step.attack_ms, rate), stream.scratch()
        )
        self._level = LevelDetector(step.detect, step.window_ms, rate, stream.scratch())
        self._levels = [0.0] * self.n_detectors
        hold = ms_to_frames(step.hold_ms, rate)
        self._held = [TrailingMax(hold) for _ in range(self.n_detectors)] if hold else []
        # At rest as after a long silence.
        self._last = [float(self._curve.change(np.array([QUIET]))[0])] * self.n_detectors

    def shape(self, late: Array, sidechain: Array) -> Array:
        import numpy as np

        largest: Array | None = None
        for i, row in enumerate(self.levels(sidechain)):
            level, self._levels[i] = self._level.run(row, self._levels[i])
            level = np.maximum(self._held[i].run(level) if self._held else level, QUIET)
            reduction = self._smoother.run(self._curve.change(level), self._last[i])
            self._last[i] = float(reduction[-1])
            late[self.channels_of(i)] *= np.exp2(-reduction)
            largest = reduction if largest is None else np.maximum(largest, reduction)
        self.recorder.count(largest, late.shape[1])
        return late
