"""Restores short clipped runs by autoregressive interpolation.

Source: Janssen, Veldhuis, Vries, "Adaptive interpolation of discrete-time signals that can be modeled as
autoregressive processes", IEEE Trans. ASSP 34(2), 1986: missing samples are chosen to minimise the prediction error,
with coefficients estimated from the samples around them and, in turn, from the result. Here the restored samples
are also kept at or above the level at which they were clipped.

The order increases: a model whose order reaches half a period predicts the clipped wave as well as the original, and
would leave it unchanged. So a low order comes first, and higher ones only if it does not yet explain the sound.
"""

from __future__ import annotations

import numpy as np
from scipy.linalg import solveh_banded

from chainrun.dsp.arrays import Array, BoolArray, IntArray
from chainrun.dsp.runs import runs_of

CONTEXT = 768
"""Frames on either side of a hop that the model also uses."""
STAGES = ((6, 12), (12, 4), (32, 4))
"""Order of the model, and number of rounds with it."""
EXPLAINED = 1e-6
"""If the prediction error has less than this share of the energy, no higher order is tried."""


def short_runs(clipped: BoolArray, longest: int) -> BoolArray:
    """Clipped samples in runs of at most `longest` frames; runs that touch either end are left out."""
    chosen = clipped.copy()
    for begin, end in runs_of(clipped):
        if end - begin > longest or begin == 0 or end == clipped.size:
            chosen[begin:end] = False
    return chosen


def sounding(x: Array) -> slice:
    """Frames of x without the digital silence at its ends: the part to estimate a model from."""
    sounds = np.flatnonzero(x)
    return slice(int(sounds[0]), int(sounds[-1]) + 1) if sounds.size else slice(0, 0)


def prediction(x: Array, order: int) -> tuple[Array, float]:
    """Coefficients (1, a[1], …, a[order]) of a linear prediction, and the error's share of the energy.

    By least squares over all frames (covariance method). A tiny white floor keeps the system regular for pure tones.
    """
    frames = np.lib.stride_tricks.sliding_window_view(x, order + 1)[:, ::-1]
    products = frames.T @ frames
    energy = float(products[0, 0]) + 1e-20
    floor = 1e-10 * energy + 1e-20
    a = np.concatenate([[1.0], -np.linalg.solve(products[1:, 1:] + floor * np.eye(order), products[1:, 0])])
    return a, max(0.0, float(a @ products @ a)) / energy


def interpolate(x: Array, missing: BoolArray, max_ratio: float = 2.0) -> Array:
    """Copy of x, shape (n_frames,), with its missing samples restored.

    Each keeps its sign; its magnitude becomes 1 to `max_ratio` times that in x.
    """
    y = x.copy()
    where = np.flatnonzero(missing)
    if where.size == 0:
        return y
    limit = np.abs(x[where])
    sign = np.sign(x[where])
    for order, rounds in STAGES:
        left = 1.0
        for _ in range(rounds):
            a, left = prediction(y, order)
            known = y.copy()
            known[where] = 0.0
            right = -np.convolve(np.convolve(known, a, "valid"), a[::-1])[where]
            y[where] = solveh_banded(_band(where, a, y.size), right, lower=True)
            y[where] = sign * np.clip(sign * y[where], limit, max_ratio * limit)
        if left < EXPLAINED:
            break
    return y


def _band(where: IntArray, a: Array, n_frames: int) -> Array:
    """Matrix of the unknown samples in lower band form, for the prediction errors of frames order … n_frames - 1.

    Its entry for samples i and i + d is the sum over these frames n of a[n - i - d] a[n - i].
    """
    n, order = where.size, a.size - 1
    # sums[d, k] = a[0] a[d] + … + a[k - 1] a[k - 1 + d]
    sums = np.zeros((order + 1, order + 2))
    for d in range(order + 1):
        sums[d, 1 : order + 2 - d] = np.cumsum(a[: order + 1 - d] * a[d:])
    band = np.zeros((min(n, order + 1), n))
    for near in range(band.shape[0]):
        later = where[near:]
        lag = later - where[: n - near]
        close = np.flatnonzero(lag <= order)
        if close.size == 0:
            break
        later, lag = later[close], lag[close]
        first = np.maximum(order - later, 0)
        end = np.minimum(n_frames - later, order + 1 - lag)
        band[near, close] = sums[lag, end] - sums[lag, np.minimum(first, end)]
    band[0] += 1e-10 * float(a @ a)
    return band
