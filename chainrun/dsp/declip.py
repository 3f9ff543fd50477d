"""Mends short clipped runs by autoregressive interpolation.

Source: Janssen, Veldhuis, Vries, "Adaptive interpolation of discrete-time signals that can be modeled as
autoregressive processes", IEEE Trans. ASSP 34(2), 1986: the samples that are missing are those that make the
prediction error smallest, for coefficients that are estimated from the samples around and, in turn, from the result.
Here the missing ones are also held at or beyond the level at which they were clipped.
"""

from __future__ import annotations

import numpy as np
from scipy.linalg import solve_toeplitz, solveh_banded

from chainrun.dsp.arrays import Array, BoolArray, IntArray

CONTEXT = 768
"""Frames on either side of a hop that the model is made from, too."""
ORDER = 44
ROUNDS = 12


def short_runs(clipped: BoolArray, longest: int) -> BoolArray:
    """The clipped samples that stand in runs of at most `longest` frames."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], clipped, [False]]).astype(np.int8)))
    chosen = clipped.copy()
    for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if end - begin > longest:
            chosen[begin:end] = False
    return chosen


def coefficients(x: Array, order: int) -> Array:
    """Prediction coefficients a[1 … order] by the autocorrelation method (a tiny white floor keeps it regular)."""
    n = 1 << (2 * x.size - 1).bit_length()
    spectrum = np.fft.rfft(x * np.hanning(x.size + 2)[1:-1], n)
    r = np.fft.irfft(spectrum.real**2 + spectrum.imag**2, n)[: order + 1]
    r[0] = r[0] * (1.0 + 1e-9) + 1e-20
    solved: Array = solve_toeplitz(r[:order], -r[1:])
    return solved


def interpolate(x: Array, missing: BoolArray, most: float = 2.0) -> Array:
    """x with its missing samples set; they keep their signs, and reach 1 to `most` times the level they have in x."""
    y = x.copy()
    where = np.flatnonzero(missing)
    if where.size == 0:
        return y
    limit = np.abs(x[where])
    sign = np.sign(x[where])
    for _ in range(ROUNDS):
        a = np.concatenate([[1.0], coefficients(y, ORDER)])
        # b[k] = sum_j a[j] a[j + k]: the prediction error's energy is a quadratic form with this Toeplitz matrix.
        b = np.correlate(a, a, "full")[ORDER:]
        known = y.copy()
        known[where] = 0.0
        right = -np.convolve(known, np.concatenate([b[:0:-1], b]), "same")[where]
        y[where] = solveh_banded(_band(where, b), right, lower=True)
        y[where] = sign * np.clip(sign * y[where], limit, most * limit)
    return y


def _band(where: IntArray, b: Array) -> Array:
    """The matrix of the unknown samples in lower band form: entry b[distance], 0 beyond the model's order."""
    n = where.size
    band = np.zeros((min(n, ORDER + 1), n))
    band[0] = b[0] * (1.0 + 1e-10)
    for d in range(1, band.shape[0]):
        lag = where[d:] - where[:-d]
        band[d, : n - d] = np.where(lag <= ORDER, b[np.minimum(lag, ORDER)], 0.0)
    return band
