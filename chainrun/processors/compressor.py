"""compressor: less difference between loud and quiet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from chainrun.contract import Keys, Reading, ReductionRecorder, Runner, Stream, Thresholded, processor

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array


@processor
class Compressor(Thresholded):
    """Turn down what is above the threshold, by the ratio.

    Feed-forward in the log domain: the level of every frame goes through the static curve, and the reduction that
    it asks for is smoothed with the attack while it grows and the release while it shrinks (branching smoother).
    """

    do: Literal["compressor"] = "compressor"
    ratio: float = Field(4.0, ge=1, le=1000, description="dB above the threshold that come out as 1 dB")
    knee_db: float = Field(6.0, ge=0, le=60, description="width of the soft knee around the threshold")
    attack_ms: float = Field(10.0, ge=0, le=1000, description="time constant while the reduction grows (63.2 %)")
    release_ms: float = Field(100.0, ge=0.1, le=10000, description="time constant while the reduction shrinks")
    range_db: float = Field(120.0, ge=0, le=120, description="most that is ever taken away")
    makeup_db: float = Field(0.0, ge=-40, le=40, description="gain behind it")
    lookahead_ms: float = Field(0.0, ge=0, le=50, description="acts so far before the peak; compensated latency")
    stereo_link_pct: float = Field(100.0, ge=0, le=100, description="how far the channels share one gain")

    example = {"threshold_db": -20.0, "ratio": 3.0, "attack_ms": 8.0, "release_ms": 80.0}
    unity = {"threshold_db": -20.0, "ratio": 1.0}
    source = "Giannoulis, Massberg, Reiss, JAES 60(6):399-408, 2012"

    def start(self, stream: Stream) -> Runner:
        return _CompressorRunner(self, stream)


class _CompressorRunner(Runner):
    def __init__(self, step: Compressor, stream: Stream):
        from chainrun.dsp.compression import SideChain
        from chainrun.dsp.delay_line import DelayLine
        from chainrun.dsp.gain_computer import DownwardCurve
        from chainrun.units import LOG2_PER_DB, ms_to_frames

        self._step = step
        self._listener = step.start_listener(stream)
        self.n_channels_out = stream.n_channels
        self.latency_frames = ms_to_frames(step.lookahead_ms, stream.rate_hz)
        curve = DownwardCurve(step.threshold(stream), step.ratio, step.knee_db, step.range_db)
        self._chain = SideChain(curve, step.attack_ms, step.release_ms, stream.rate_hz)
        heard = self._listener.n_channels
        own = step.stereo_link_pct < 100.0 and heard == stream.n_channels
        self._last = [0.0] * (heard if own else 1)
        self._makeup = step.makeup_db * LOG2_PER_DB
        self._line = DelayLine(stream.n_channels, self.latency_frames)
        self._recorder = ReductionRecorder(stream.rate_hz, stream.latency_frames + self.latency_frames)

    def run(self, x: Array, keys: Keys) -> Array:
        import numpy as np

        from chainrun.dsp.level import linked_level

        n = x.shape[1]
        if n == 0:
            return x.copy()
        heard = self._listener.hear(x, keys)
        level = linked_level(heard, self._step.stereo_link_pct if len(self._last) > 1 else 100.0)
        y = self._line.run(x).copy()
        most: Array | None = None
        for i, row in enumerate(level):
            reduction, self._last[i] = self._chain.run(row, self._last[i])
            channels = slice(i, i + 1) if len(self._last) > 1 else slice(None)
            if reduction is not None:
                most = reduction if most is None else np.maximum(most, reduction)
                y[channels] *= np.exp2(self._makeup - reduction)
            elif self._makeup:
                y[channels] *= 2.0**self._makeup
        self._recorder.count(most, n)
        if self._step.listen:
            return self._listener.as_output(heard, self.n_channels_out)
        return y

    def readings(self) -> list[Reading]:
        return [self._recorder.reading("compressor")]
