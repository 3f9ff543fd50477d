"""expander: more difference between loud and quiet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from chainrun.contract import Keys, Reading, ReductionRecorder, Runner, Stream, Thresholded, processor

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array


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

    example = {"threshold_db": -30.0, "ratio": 2.5}
    unity = {"threshold_db": -30.0, "ratio": 1.0}
    source = "static curve as in JAES 60(6), 2012, mirrored at the threshold; smoother eq. (16)"

    def start(self, stream: Stream) -> Runner:
        return _ExpanderRunner(self, stream)


class _ExpanderRunner(Runner):
    def __init__(self, step: Expander, stream: Stream):
        from chainrun.dsp.ballistics import Branching, time_constant
        from chainrun.dsp.delay_line import DelayLine
        from chainrun.dsp.gain_computer import BelowCurve
        from chainrun.dsp.level import LevelDetector
        from chainrun.dsp.sliding import TrailingMax
        from chainrun.units import ms_to_frames

        rate = stream.rate_hz
        self._listen = step.listen
        self._listener = step.start_listener(stream)
        self.n_channels_out = stream.n_channels
        self.latency_frames = ms_to_frames(step.lookahead_ms, rate)
        self._curve = BelowCurve(step.threshold(stream), step.ratio - 1.0, step.knee_db, step.range_db)
        # The reduction grows while the level falls: there the release acts.
        self._smoother = Branching(
            time_constant(step.release_ms, rate), time_constant(step.attack_ms, rate), stream.scratch()
        )
        self._level = LevelDetector(step.detect, step.window_ms, rate, stream.scratch())
        hold = ms_to_frames(step.hold_ms, rate)
        n = stream.detectors(self._listener.n_channels, step.stereo_link_pct)
        self._link = step.stereo_link_pct if n > 1 else 100.0
        self._levels = [0.0] * n
        self._held = [TrailingMax(hold) for _ in range(n)] if hold else []
        # At rest as after a long silence.
        self._last = [float(self._curve.change(self._quiet())[0])] * n
        self._line = DelayLine(stream.n_channels, self.latency_frames)
        self._recorder = ReductionRecorder(stream, self.latency_frames)

    @staticmethod
    def _quiet() -> Array:
        import numpy as np

        return np.array([1e-30])

    def run(self, x: Array, keys: Keys) -> Array:
        import numpy as np

        from chainrun.dsp.level import linked_level

        n = x.shape[1]
        if n == 0:
            return x.copy()
        heard = self._listener.hear(x, keys)
        y = self._line.run(x).copy()
        most: Array | None = None
        for i, row in enumerate(linked_level(heard, self._link)):
            level, self._levels[i] = self._level.run(row, self._levels[i])
            level = np.maximum(self._held[i].run(level) if self._held else level, 1e-30)
            reduction = self._smoother.run(self._curve.change(level), self._last[i])
            self._last[i] = float(reduction[-1])
            channels = slice(i, i + 1) if len(self._last) > 1 else slice(None)
            y[channels] *= np.exp2(-reduction)
            most = reduction if most is None else np.maximum(most, reduction)
        self._recorder.count(most, n)
        if self._listen:
            return self._listener.as_output(heard, self.n_channels_out, self.latency_frames)
        return y

    def readings(self) -> list[Reading]:
        return [self._recorder.reading("expander")]
