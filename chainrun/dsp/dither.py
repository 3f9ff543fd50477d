"""Quantisation to integers with triangular dither.

TPDF dither two steps wide makes the first two moments of the error independent of the signal: Lipshitz,
Wannamaker, Vanderkooy, "Quantization and Dither: A Theoretical Survey", JAES 40(5), 1992.
"""

from __future__ import annotations

import numpy as np

from chainrun.dsp.arrays import Array


class Quantiser:
    """Turns blocks of ±1.0 into integers of `bits`; the dither is seeded and does not depend on block borders."""

    def __init__(self, bits: int, *, dither: bool, seed: int):
        self.bits, self.dither = bits, dither
        self._random = np.random.Generator(np.random.PCG64(seed))
        self.clipped_frames = 0

    def run(self, x: Array) -> np.ndarray:
        """Quantise shape (n_channels, n_frames) to int32 of shape (n_frames, n_channels); counts clipped frames."""
        scale = float(1 << (self.bits - 1))
        steps = x.T * scale
        if self.dither:
            noise = self._random.random((*steps.shape, 2))
            steps = steps + (noise[..., 0] - noise[..., 1])
        steps = np.rint(steps)
        over = (steps > scale - 1.0) | (steps < -scale)
        self.clipped_frames += int(over.any(axis=1).sum())
        return np.clip(steps, -scale, scale - 1.0).astype(np.int32)
