"""Maximum and mean over a sliding window, with the frames before the block handed in."""

from __future__ import annotations

import numpy as np

from chainrun.dsp.arrays import Array


def sliding_max(x: Array, width: int) -> Array:
    """y[n] = max(x[n : n + width]) along the last axis; the result is width - 1 frames shorter.

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


def sliding_mean(x: Array, width: int) -> Array:
    """y[n] = mean(x[n : n + width]) along the last axis, |x| < 1024; width - 1 frames shorter.

    The sums run in 64-bit integers (x in units of 2**-52): they wrap, their differences are exact all the same,
    so that the mean neither drifts nor depends on where a block begins.
    """
    whole = np.empty((*x.shape[:-1], x.shape[-1] + 1), dtype=np.int64)
    whole[..., 0] = 0
    np.multiply(x, 2.0**52, out=whole[..., 1:], casting="unsafe")
    np.add.accumulate(whole, axis=-1, out=whole)
    return (whole[..., width:] - whole[..., :-width]) * (2.0**-52 / width)
