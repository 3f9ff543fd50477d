"""Delay by whole frames over consecutive blocks."""

from __future__ import annotations

import numpy as np

from chainrun.dsp.arrays import Array, silence


class DelayLine:
    """Delays blocks of shape (n_channels, n_frames) by a fixed whole number of frames; starts from silence."""

    def __init__(self, n_channels: int, n_frames: int):
        self.n_frames = n_frames
        self._held = silence(n_channels, n_frames)

    def run(self, x: Array) -> Array:
        """Delay a block by `n_frames`; same shape. A delay of 0 returns the block itself."""
        if self.n_frames == 0:
            return x
        joined = np.concatenate([self._held, x], axis=1)
        self._held = joined[:, x.shape[1] :].copy()
        return np.ascontiguousarray(joined[:, : x.shape[1]])

    def window(self, x: Array) -> Array:
        """The held frames followed by the block, shape (n_channels, held + n_frames); keeps the last ones for later."""
        joined = np.concatenate([self._held, x], axis=1)
        self._held = joined[:, joined.shape[1] - self.n_frames :].copy()
        return joined
