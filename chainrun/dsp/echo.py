"""Delay with feedback, computed in pieces no longer than the delay.

s[n] = in[n] + feedback * F(d)[n] with d[n] = s[n - D] (interpolated) and F the filters of the loop; the output is d.
Within D frames (minus the interpolator's reach) no written frame is read again, so whole pieces are filtered at once.
"""

from __future__ import annotations

import numpy as np

from chainrun.dsp.arrays import Array, silence
from chainrun.dsp.cascade import Cascade
from chainrun.dsp.fractional_delay import HALF_TAPS, fir, sinc_taps, split_delay


class EchoLoop:
    """Echoes of 1 or 2 channels; with `cross` each channel feeds the other one.

    Raises ValueError for a delay of 32 frames or less.
    """

    def __init__(
        self,
        delay_frames: float,
        feedback: float,
        n_channels: int,
        *,
        sections: Array | None = None,
        cross: bool = False,
    ):
        whole, fraction = split_delay(delay_frames)
        self._taps = sinc_taps(fraction)
        self._reach = HALF_TAPS
        if whole <= self._reach:
            raise ValueError(f"an echo needs a delay longer than {self._reach} frames")
        self._feedback, self._cross = feedback, cross
        self._filter = Cascade(sections) if sections is not None else None
        self._state = self._filter.start_state(n_channels) if self._filter is not None else np.empty(0)
        # written[:, -k] is s[n - k]; long enough for the oldest tap of the interpolator.
        self._written = silence(n_channels, whole + HALF_TAPS)
        self.piece_frames = whole - self._reach

    def run(self, x: Array) -> Array:
        """Echoes alone of a block of shape (n_channels, n_frames); same shape."""
        out = np.empty_like(x)
        for start in range(0, x.shape[1], self.piece_frames):
            part = x[:, start : start + self.piece_frames]
            n = part.shape[1]
            # y[n] needs s[n - whole + HALF_TAPS - 1 … n - whole - HALF_TAPS]: all of it is written already.
            window = self._written[:, : n + self._taps.size - 1]
            delayed = fir(window, self._taps)
            out[:, start : start + n] = delayed
            back = delayed
            if self._filter is not None:
                back, self._state = self._filter.run(delayed, self._state)
            if self._cross:
                back = back[::-1]
            fresh = part + self._feedback * back
            self._written = np.concatenate([self._written[:, n:], fresh], axis=1)
        return out
