"""expander: increase the difference between loud and quiet."""

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
    """Reduce levels below the threshold: each dB below it becomes `ratio` dB; at most range_db is taken off.

    It works more gradually than a gate. The level is a held peak or a running mean square; the reduction is smoothed
    with the attack while the level rises and the release while it falls (branching smoother).
    """

    do: Literal["expander"] = "expander"
    ratio: float = Field(2.0, ge=1, le=100, description="dB of output for each dB of input, below the threshold")
    knee_db: float = Field(6.0, ge=0, le=60, description="width of the soft knee around the threshold")
    range_db: float = Field(40.0, ge=0, le=120, description="maximum reduction")
    attack_ms: float = Field(1.0, ge=0, le=1000, description="time constant while the level rises (63.2 %)")
    hold_ms: float = Field(0.0, ge=0, le=2000, description="time for which the level is held before it may fall")
    release_ms: float = Field(120.0, ge=0.1, le=10000, description="time constant while the level falls")
    lookahead_ms: float = Field(
        0.0, ge=0, le=50, description="starts the gain change this much before the hit; the latency is compensated"
    )
    detect: Literal["peak", "rms"] = Field("peak", description="level by held peak, or by mean square")
    window_ms: float = Field(10.0, ge=0.01, le=500, description="decay of the held peak, or time constant of the mean")
    stereo_link_pct: float = Field(
        100.0, ge=0, le=100, description="0: each channel has its own gain; 100: one gain for all, set by the loudest"
    )

    example = {"threshold_dbfs": -30.0, "ratio": 2.5}
    acts = True
    unity = {"threshold_dbfs": -30.0, "ratio": 1.0}
    source = "static curve as in JAES 60(6), 2012, mirrored at the threshold; branching smoother"

    def in_words(self) -> str:
        below = f"below {self.threshold_in_words()}"
        return f"{below}: {self.ratio:g}:1 downward expansion, at most {self.range_db:g} dB"

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
        # The reduction grows while the level falls, so it grows with the release.
        self._smoother = Branching(
            time_constant(step.release_ms, rate), time_constant(step.attack_ms, rate), stream.scratch()
        )
        self._level = LevelDetector(step.detect, step.window_ms, rate, stream.scratch())
        self._levels = [0.0] * self.n_detectors
        hold = ms_to_frames(step.hold_ms, rate)
        self._held = [TrailingMax(hold) for _ in range(self.n_detectors)] if hold else []
        # The start is as after a long silence.
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
