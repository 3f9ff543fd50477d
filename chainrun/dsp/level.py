"""Level detection for dynamics: magnitudes linked over the channels, then held peak or RMS."""

from __future__ import annotations

import numpy as np

from chainrun.dsp.arrays import Array
from chainrun.dsp.ballistics import OnePole, time_constant
from chainrun.dsp.peak_hold import PeakHold
from chainrun.dsp.scratch import Scratch


def linked_level(x: Array, link_pct: float) -> Array:
    """|x| of each channel, moved towards the loudest channel by `link_pct`, shape (n_detectors, n_frames).

    At 0 % each channel keeps its own level, at 100 % one row serves all channels. In between, the level in dB is that
    share of the way from the channel's own level to the loudest one.
    """
    level = np.abs(x)
    if level.shape[0] == 1 or link_pct == 0.0:
        return level
    loudest: Array = level.max(axis=0, keepdims=True)
    if link_pct == 100.0:
        return loudest
    share = link_pct / 100.0
    linked: Array = np.power(level, 1.0 - share) * np.power(loudest, share)
    return linked


class LevelDetector:
    """Held peak (`detect` = "peak") or running RMS of a magnitude."""

    def __init__(self, detect: str, window_ms: float, rate_hz: int, scratch: Scratch | None = None):
        decay = time_constant(window_ms, rate_hz)
        self._hold = PeakHold(decay, scratch) if detect == "peak" else None
        self._mean = OnePole(decay, scratch)

    def run(self, magnitude: Array, last: float) -> tuple[Array, float]:
        """Level of a magnitude of shape (n_frames,), a new array, and the state for the next block."""
        if magnitude.size == 0:
            return magnitude.copy(), last
        if self._hold is not None:
            level = self._hold.run(magnitude, last)
            return level, float(level[-1])
        level = self._mean.run_squared(magnitude, last)
        last = max(0.0, float(level[-1]))
        np.maximum(level, 0.0, out=level)
        np.sqrt(level, out=level)
        return level, last
