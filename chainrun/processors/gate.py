"""gate: quiet between the hits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from chainrun.contract import Keys, Reading, ReductionRecorder, Runner, Stream, Thresholded, processor

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array


@processor
class Gate(Thresholded):
    """Turn the signal down by range_db while what it listens to is quiet.

    It opens where the level reaches the threshold, and closes once the level has been hysteresis_db below it for
    hold_ms. The gain moves in dB as a one-pole. Lookahead opens it that much earlier and leaves the closing
    where it is.
    """

    do: Literal["gate"] = "gate"
    hysteresis_db: float = Field(6.0, ge=0, le=40, description="closing threshold so far below the opening one")
    range_db: float = Field(60.0, ge=0, le=120, description="how far the closed gate turns down")
    attack_ms: float = Field(0.3, ge=0.01, le=500, description="time constant of opening (63.2 % of the way in dB)")
    hold_ms: float = Field(50.0, ge=0, le=5000, description="time that it stays open after the level has fallen")
    release_ms: float = Field(100.0, ge=0.1, le=10000, description="time constant of closing")
    lookahead_ms: float = Field(0.0, ge=0, le=50, description="opens so far before the hit; compensated latency")
    detect: Literal["peak", "rms"] = Field("peak", description="level by held peak, or by mean square")
    window_ms: float = Field(5.0, ge=0.01, le=500, description="decay of the held peak, or time constant of the mean")
    stereo_link_pct: float = Field(100.0, ge=0, le=100, description="how far the channels share one gain")

    example = {"threshold_db": -36.0, "range_db": 40.0, "lookahead_ms": 4.0}
    unity = {"threshold_db": -36.0, "range_db": 0.0}
    source = "peak detector with hysteresis and hold, common practice; time constants as in JAES 60(6), 2012, eq. (7)"

    def start(self, stream: Stream) -> Runner:
        return _GateRunner(self, stream)


class _GateRunner(Runner):
    def __init__(self, step: Gate, stream: Stream):
        from chainrun.dsp.ballistics import OnePole, time_constant
        from chainrun.dsp.delay_line import DelayLine
        from chainrun.dsp.gating import GateDetector, GateGain, GateState
        from chainrun.units import LOG2_PER_DB, db_to_gain, ms_to_frames

        rate = stream.rate_hz
        self._step = step
        self._listener = step.start_listener(stream)
        self.n_channels_out = stream.n_channels
        self.latency_frames = ms_to_frames(step.lookahead_ms, rate)
        opening = db_to_gain(step.threshold(stream))
        window = time_constant(step.window_ms, rate)
        self._mean = OnePole(window) if step.detect == "rms" else None
        self._closed = -step.range_db * LOG2_PER_DB
        self._detector = GateDetector(
            opening,
            opening * db_to_gain(-step.hysteresis_db),
            window if step.detect == "peak" else 0.0,
            ms_to_frames(step.hold_ms, rate) + self.latency_frames,
        )
        self._gain = GateGain(self._closed, time_constant(step.attack_ms, rate), time_constant(step.release_ms, rate))
        heard = self._listener.n_channels
        own = step.stereo_link_pct < 100.0 and heard == stream.n_channels
        self._n_detectors = heard if own else 1
        self._states = [GateState(False, -1, self._closed)] * self._n_detectors
        self._means = [0.0] * self._n_detectors
        self._line = DelayLine(stream.n_channels, self.latency_frames)
        self._recorder = ReductionRecorder(rate, stream.latency_frames + self.latency_frames)

    def run(self, x: Array, keys: Keys) -> Array:
        import numpy as np

        from chainrun.dsp.level import linked_level

        n = x.shape[1]
        heard = self._listener.hear(x, keys)
        link = self._step.stereo_link_pct if self._n_detectors > 1 else 100.0
        level = linked_level(heard, link)
        late = self._line.run(x)
        reduction = None
        gains = np.empty((self._n_detectors, n))
        for i, row in enumerate(level):
            state = self._states[i]
            if self._mean is not None:
                row = self._mean.run(row * row, self._means[i])
                self._means[i] = float(row[-1]) if n else self._means[i]
                row = np.sqrt(np.maximum(row, 0.0))
            events, is_open, until = self._detector.run(row, state)
            log2_gain, gains[i], last = self._gain.run(events, n, state.is_open, state.gain)
            self._states[i] = type(state)(is_open, until, last)
            reduction = -log2_gain if reduction is None else np.maximum(reduction, -log2_gain)
        self._recorder.count(reduction, n)
        if self._step.listen:
            return self._listener.as_output(heard, self.n_channels_out)
        return late * gains

    def readings(self) -> list[Reading]:
        return [self._recorder.reading("gate")]
