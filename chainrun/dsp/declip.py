"""Mends short clipped runs by autoregressive interpolation.

Source: Janssen, Veldhuis, Vries, "Adaptive interpolation of discrete-time signals that can be modeled as
autoregressive processes", IEEE Trans. ASSP 34(2), 1986: the samples that are missing are those that make the
prediction error smallest, for coefficients that are estimated from the samples around and, in turn, from the result.
Here the missing ones are also held at or beyond the level at which they were clipped.

The order climbs: a model of as many frames as half a period predicts the clipped wave as well as the whole one, and
would leave it as it is. A low order comes first, and the higher ones only where it does not yet explain the sound.
"""

from __future__ import annotations

import numpy as np
from scipy.linalg import solveh_banded

from chainrun.dsp.arrays import Array, BoolArray, IntArray
from chainrun.dsp.runs import runs_of

CONTEXT = 768
"""Frames on either side of a hop that the model is made from, too."""
STAGES = ((6, 12), (12, 4), (32, 4))
"""Order of the model, and rounds with it."""
EXPLAINED = 1e-6
"""Where the prediction error has less than this share of the energy, no higher order is tried."""


def short_runs(clipped: BoolArray, longest: int) -> BoolArray:
    """The clipped samples that stand in runs of at most `longest` frames, whole ones: none at either end."""
    chosen = clipped.copy()
    for begin, end in runs_of(clipped):
        if end - begin > longest or begin == 0 or end == clipped.size:
            chosen[begin:end] = False
    return chosen


def sounding(x: Array) -> slice:
    """Where x sounds, without the digital silence at its ends: what a model of the sound may be made from."""
    sounds = np.flatnonzero(x)
    return slice(int(sounds[0]), int(sounds[-1]) + 1) if sounds.size else slice(0, 0)


def prediction(x: Array, order: int) -> tuple[Array, float]:
    """Coefficients (1, a[1], …, a[order]) of a linear prediction, and the share of the energy that they leave.

    By least squares over all frames (covariance method). A tiny white floor keeps pure tones regular.
    """
    frames = np.lib.stride_tricks.sliding_window_view(x, order + 1)[:, ::-1]
    products = frames.T @ frames
    energy = float(products[0, 0]) + 1e-20
    floor = 1e-10 * energy + 1e-20
    a = np.concatenate([[1.0], -np.linalg.solve(products[1:, 1:] + floor * np.eye(order), products[1:, 0])])
    return a, max(0.0, float(a @ products @ a)) / energy


def interpolate(x: Array, missing: BoolArray, max_ratio: float = 2.0) -> Array:
    """A copy of x with its missing samples set.

    They keep their signs, and reach 1 to `max_ratio` times the level they have in x.
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
    """The matrix of the unknown samples in lower band form, after the prediction errors of frames order … n_frames - 1.

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
