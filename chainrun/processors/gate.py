"""gate: turn the signal down between the hits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from chainrun.contract import Runner, Stream, Thresholded, processor
from chainrun.runtime import DynamicsRunner

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array


@processor
class Gate(Thresholded):
    """Turn the signal down by range_db while its side chain is quiet.

    It opens when the level reaches the threshold, and closes once the level has been more than hysteresis_db below the
    threshold for hold_ms. The gain in dB follows a one-pole filter. Lookahead makes it open earlier; it closes at the
    same time as without.
    """

    do: Literal["gate"] = "gate"
    hysteresis_db: float = Field(6.0, ge=0, le=40, description="how far the closing threshold is below the opening one")
    range_db: float = Field(60.0, ge=0, le=120, description="gain reduction of the closed gate")
    attack_ms: float = Field(0.3, ge=0.01, le=500, description="time constant of opening (63.2 % of the change in dB)")
    hold_ms: float = Field(50.0, ge=0, le=5000, description="time that it stays open after the level has fallen")
    release_ms: float = Field(100.0, ge=0.1, le=10000, description="time constant of closing")
    lookahead_ms: float = Field(
        0.0, ge=0, le=50, description="opens this much before the hit; the latency is compensated"
    )
    detect: Literal["peak", "rms"] = Field("peak", description="level by held peak, or by mean square")
    window_ms: float = Field(5.0, ge=0.01, le=500, description="decay of the held peak, or time constant of the mean")
    stereo_link_pct: float = Field(
        100.0, ge=0, le=100, description="0: each channel has its own gain; 100: one gain for all, set by the loudest"
    )

    example = {"threshold_dbfs": -36.0, "range_db": 40.0, "lookahead_ms": 4.0}
    shuts = True
    acts = True
    unity = {"threshold_dbfs": -36.0, "range_db": 0.0}
    source = "peak detector with hysteresis and hold, common practice; time constants: JAES 60(6), 2012"

    def in_words(self) -> str:
        early = f", {self.lookahead_ms:g} ms early" if self.lookahead_ms else ""
        return (
            f"opens at {self.threshold_in_words()}{early}, stays open for {self.hold_ms:g} ms, "
            f"reduces by {self.range_db:g} dB while closed"
        )

    def start(self, stream: Stream) -> Runner:
        return _GateRunner(self, stream)


class _GateRunner(DynamicsRunner):
    def __init__(self, step: Gate, stream: Stream):
        from chainrun.dsp.ballistics import OnePole, time_constant
        from chainrun.dsp.gating import GateDetector, GateGain, GateState
        from chainrun.units import LOG2_PER_DB, db_to_gain, ms_to_frames

        super().__init__(step, stream, step.lookahead_ms, step.stereo_link_pct)
        rate = stream.rate_hz
        opening = db_to_gain(step.threshold(stream))
        closing = opening * db_to_gain(-step.hysteresis_db)
        window = time_constant(step.window_ms, rate)
        by_peak = step.detect == "peak"
        # A mean square is compared with squared thresholds, which saves the square root.
        self._mean = None if by_peak else OnePole(window, stream.scratch())
        self._detector = GateDetector(
            opening if by_peak else opening**2,
            closing if by_peak else closing**2,
            window if by_peak else 0.0,
            ms_to_frames(step.hold_ms, rate) + self.latency_frames,
        )
        closed = -step.range_db * LOG2_PER_DB
        self._gain = GateGain(closed, time_constant(step.attack_ms, rate), time_constant(step.release_ms, rate))
        self._states = [GateState(False, -1, closed)] * self.n_detectors
        self._means = [0.0] * self.n_detectors

    def shape(self, late: Array, sidechain: Array) -> Array:
        import numpy as np

        n = late.shape[1]
        reduction: Array | None = None
        for i, row in enumerate(self.levels(sidechain)):
            state = self._states[i]
            if self._mean is not None:
                row = self._mean.run_squared(row, self._means[i])
                self._means[i] = float(row[-1])
            events, is_open, until = self._detector.run(row, state)
            log2_gain, gain, last = self._gain.run(events, n, state.is_open, state.gain)
            self._states[i] = type(state)(is_open, until, last)
            late[self.channels_of(i)] *= gain
            np.negative(log2_gain, out=log2_gain)
            reduction = log2_gain if reduction is None else np.maximum(reduction, log2_gain)
        self.recorder.count(reduction, n)
        return late
