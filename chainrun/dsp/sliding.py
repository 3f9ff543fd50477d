"""Maximum and mean over a sliding window; the caller passes the frames before the block."""

from __future__ import annotations

import numpy as np

from chainrun.dsp.arrays import Array


def sliding_max(x: Array, width: int) -> Array:
    """Sliding maximum, y[n] = max(x[n : n + width]), along the last axis; the result is width - 1 frames shorter.

    By doubling: the maximum over 2w is the larger of two maxima over w, one shifted by w.
    """
    n_out = x.shape[-1] - width + 1
    if width == 1:
        return x.copy()
    y, have = x, 1
    while have < width:
        step = min(have, width - have)
        y = np.maximum(y[..., : y.shape[-1] - step], y[..., step:])
        have += step
    return y[..., :n_out]


class TrailingMax:
    """Trailing maximum, y[n] = max(x[n - hold … n]), of values >= 0 over consecutive blocks; starts from 0."""

    def __init__(self, hold_frames: int):
        self._hold = hold_frames
        self._before = np.zeros(hold_frames)

    def run(self, x: Array) -> Array:
        """Process the next block, shape (n_frames,)."""
        joined = np.concatenate([self._before, x])
        self._before = joined[x.size :].copy()
        return sliding_max(joined, self._hold + 1)


MAX_INPUT = 64.0
"""Maximum magnitude that `sliding_mean` accepts."""


def sliding_mean(x: Array, width: int) -> Array:
    """Sliding mean, y[n] = mean(x[n : n + width]), along the last axis; |x| <= 64; width - 1 frames shorter.

    The running sums are 64-bit integers. They may wrap, but their differences are exact as long as the sum over one
    window fits, so the mean neither drifts nor depends on where a block begins. The unit is chosen so that `width`
    values of 64 fit.
    """
    unit = 2.0 ** (62 - 6 - width.bit_length())
    whole = np.empty((*x.shape[:-1], x.shape[-1] + 1), dtype=np.int64)
    whole[..., 0] = 0
    np.multiply(x, unit, out=whole[..., 1:], casting="unsafe")
    np.add.accumulate(whole, axis=-1, out=whole)
    mean: Array = (whole[..., width:] - whole[..., :-width]) * (1.0 / (unit * width))
    return mean
