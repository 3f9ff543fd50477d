"""Branching smoother whose release time follows the crest factor of the programme.

Source: Giannoulis, Massberg, Reiss, "Parameter Automation in a Dynamic Range Compressor", JAES 61(10), 2013:
ypk^2 = max(x^2, a ypk^2' + (1-a) x^2), yrms^2 = a yrms^2' + (1-a) x^2 with a time constant of 200 ms,
C^2 = ypk^2 / yrms^2, and a release of 2 tau_max / C^2 minus the attack. A steady sine has C^2 = 2.

The coefficient changes from frame to frame, so the closed forms of `ballistics` do not apply. Instead the branch of
each frame is guessed, which makes the recurrence linear; it is solved as a bidiagonal system, and the guess is
corrected until it agrees with the solution.
"""

from __future__ import annotations

import numpy as np
from scipy.linalg.blas import dtbsv

from chainrun.dsp.arrays import Array, BoolArray
from chainrun.dsp.ballistics import OnePole, time_constant
from chainrun.dsp.scratch import Scratch

CREST_MS = 200.0
MIN_RELEASE_MS = 5.0
QUIET = 1e-20
MAX_ROUNDS = 40


class CrestFactor:
    """Computes C^2 of a level over consecutive blocks; the state is (peak^2, rms^2)."""

    def __init__(self, rate_hz: int, scratch: Scratch | None = None):
        self._a = time_constant(CREST_MS, rate_hz)
        self._mean = OnePole(self._a, scratch)

    def run(self, level: Array, state: tuple[float, float]) -> tuple[Array, tuple[float, float]]:
        """C^2 of each frame, at least 1."""
        peak, mean = state
        n = level.size
        if n == 0:
            return np.ones(0), state
        squares = level * level
        rms = self._mean.run(squares, mean)
        # The peak stage is the one-pole plus a running maximum, as in `Decoupled`, in stretches short enough for the
        # powers to stay in range.
        held = np.empty(n)
        longest = max(1, int(600.0 / max(1e-12, -np.log(self._a))))
        for start in range(0, n, longest):
            part = slice(start, min(n, start + longest))
            powers = self._a ** np.arange(1.0, part.stop - start + 1.0)
            fall = self._mean.run(squares[part], peak)
            over = np.maximum.accumulate(np.maximum(squares[part] - fall, 0.0) / powers)
            held[part] = fall + over * powers
            peak = float(held[part.stop - 1])
        crest = np.maximum(1.0, (held + QUIET) / (np.maximum(rms, 0.0) + QUIET))
        return crest, (peak, float(rms[-1]))


def release_coefficients(crest: Array, attack_ms: float, longest_ms: float, rate_hz: int) -> Array:
    """Release coefficient of each frame, same shape as `crest`.

    The release time is 2 longest / C^2 minus the attack, at most `longest_ms` and at least 5 ms (or `longest_ms`, if
    that is shorter).
    """
    shortest = min(MIN_RELEASE_MS, longest_ms)
    ms = np.clip(2.0 * longest_ms / crest - attack_ms, shortest, longest_ms)
    coefficients: Array = np.exp(-1000.0 / (ms * rate_hz))
    return coefficients


def branching_with(x: Array, attack: float, release: Array, y0: float) -> Array:
    """y[n] = c y[n-1] + (1 - c) x[n] with c = attack where x[n] > y[n-1], else release[n]; shape (n_frames,). Exact."""
    if x.size == 0:
        return x.copy()
    rises = np.empty(x.size, dtype=np.bool_)
    rises[0] = x[0] > y0
    np.greater(x[1:], x[:-1], out=rises[1:])
    for _ in range(MAX_ROUNDS):
        y = _solve(x, np.where(rises, attack, release), y0)
        seen = _branches(x, y, y0)
        if np.array_equal(seen, rises):
            return y
        rises = seen
    if x.size == 1:
        return y
    half = x.size // 2
    first = branching_with(x[:half], attack, release[:half], y0)
    return np.concatenate([first, branching_with(x[half:], attack, release[half:], float(first[-1]))])


def _branches(x: Array, y: Array, y0: float) -> BoolArray:
    seen = np.empty(x.size, dtype=np.bool_)
    seen[0] = x[0] > y0
    np.greater(x[1:], y[:-1], out=seen[1:])
    return seen


def _solve(x: Array, c: Array, y0: float) -> Array:
    band = np.zeros((2, x.size), order="F")
    band[0] = 1.0
    band[1, :-1] = -c[1:]
    right = (1.0 - c) * x
    right[0] += c[0] * y0
    y: Array = dtbsv(1, band, right, lower=1, diag=1, overwrite_x=1)
    return y
