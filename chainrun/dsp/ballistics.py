"""Smoothers with one time constant or two: the one-pole, and the branching and decoupled attack/release pairs.

Source of the equations: Giannoulis, Massberg, Reiss, "Digital Dynamic Range Compressor Design", JAES 60(6),
2012: eq. (7) time constant, eq. (16) smooth branching, eq. (17) smooth decoupled (the last two numbers from
memory). A time constant is the time to 63.2 % of a step.

How they run without a loop over samples:

* A one-pole over rows of B frames is a product with a lower-triangular matrix, plus the carried value times a
  decaying row; the carries themselves obey a one-pole over the row ends, B times shorter.
* Branching. With r = aR, A[n] = r^(n+1), P the release-only one-pole of x started from 0, S = P / A and
  T[n] = x[n] / r^n - S[n-1], the substitution y = A (Z + S) turns eq. (16) into
  Z[n] = Z[n-1] + (1 - aA/aR) max(0, T[n] - Z[n-1]): Z never falls, and moves only where T > Z. Over the frames
  that can move it (the candidates) the recurrence without its max is a plain one-pole whose result is nowhere
  above Z; a candidate that does not exceed that bound is dropped for good, and when none drops the bound is Z.
* Decoupled. With s the one-pole aR of x, the peak stage is s + A max.accumulate((x - s) / A).
"""

from __future__ import annotations

import math

import numpy as np
from scipy.signal import lfilter

from chainrun.dsp.arrays import Array, IntArray

ROW = 32
"""Frames a row of the one-pole's matrix product: a power of two, small enough that B flops a frame are cheap."""


def time_constant(ms: float, rate_hz: float) -> float:
    """Coefficient exp(-1 / (tau fs)) of a one-pole that reaches 63.2 % of a step in `ms`; 0 for 0 ms."""
    return math.exp(-1000.0 / (ms * rate_hz)) if ms > 0.0 else 0.0


class OnePole:
    """y[n] = a y[n-1] + (1 - a) x[n], block by block."""

    def __init__(self, a: float):
        self.a = a
        powers = a ** np.arange(ROW + 1)
        lag = np.arange(ROW)[None, :] - np.arange(ROW)[:, None]
        self._rows = np.where(lag >= 0, (1.0 - a) * powers[np.maximum(lag, 0)], 0.0)
        self._ends = np.ascontiguousarray(self._rows[:, -1])
        self._carry = powers[1:]

    def run(self, x: Array, y0: float) -> Array:
        """Smooth x, shape (n_frames,), from the value y0 that the frame before it had. Returns y, same shape."""
        n = x.size
        if self.a == 0.0:
            return x.copy()
        y = np.empty(n)
        n_rows = n // ROW
        whole = n_rows * ROW
        if n_rows:
            rows = x[:whole].reshape(n_rows, ROW)
            out = y[:whole].reshape(n_rows, ROW)
            ends = rows @ self._ends
            leap = float(self._carry[-1])
            carry = np.empty(n_rows)
            carry[0] = y0
            if n_rows > 1:
                carry[1:] = lfilter([1.0], [1.0, -leap], ends[:-1], zi=[leap * y0])[0]
            np.matmul(rows, self._rows, out=out)
            out += carry[:, None] * self._carry
            y0 = float(y[whole - 1])
        if whole < n:
            y[whole:] = lfilter([1.0 - self.a], [1.0, -self.a], x[whole:], zi=[self.a * y0])[0]
        return y


class _Decay:
    """Tables of r^(n+1) and the longest block whose powers stay in range (600 time constants)."""

    def __init__(self, r: float):
        self.r = r
        self.longest = 1 << 20 if r <= 0.0 or r >= 1.0 else max(1, min(1 << 20, int(-600.0 / math.log(r))))
        self._table = np.empty(0)

    def powers(self, n: int) -> Array:
        if self._table.size < n:
            self._table = self.r ** np.arange(1.0, n + 1.0)
        return self._table[:n]


class Branching:
    """Smooth branching attack/release: aA while x is above the last output, else aR. Exact."""

    def __init__(self, attack: float, release: float):
        self.attack, self.release = attack, release
        self._sign = 1.0 if attack <= release else -1.0
        fast, slow = min(attack, release), max(attack, release)
        self._decay = _Decay(slow)
        self._slow = OnePole(slow)
        self._climb = OnePole(fast / slow if slow > 0.0 else 0.0)

    def run(self, x: Array, y0: float) -> Array:
        """Smooth x, shape (n_frames,), from the value y0 of the frame before. Returns y, same shape."""
        n = x.size
        if self._decay.r == 0.0 or n == 0:
            return x.copy()
        y = np.empty(n)
        for start in range(0, n, self._decay.longest):
            part = slice(start, min(n, start + self._decay.longest))
            self._run_part(x[part], y0, y[part])
            y0 = float(y[part.stop - 1])
        return y

    def run_sparse(self, values: Array, where: IntArray, n_frames: int, y0: float) -> Array:
        """The same for x of `n_frames` that is `values` > 0 at `where` (rising) and 0 elsewhere; y0 >= 0."""
        if self._sign < 0.0 or self._decay.longest < n_frames:
            x = np.zeros(n_frames)
            x[where] = values
            return self.run(x, y0)
        r = self._decay.r
        powers = self._decay.powers(n_frames)
        scaled = values / powers[where]
        steps = np.empty(where.size + 1)
        steps[0] = 0.0
        np.cumsum(scaled, out=steps[1:])
        steps *= 1.0 - r
        goal = scaled * r - steps[:-1]
        level = np.empty(where.size + 1)
        level[0] = y0
        level[1:] = self._rise(goal, y0)
        level += steps
        mask = np.zeros(n_frames, dtype=np.int8)
        mask[where] = 1
        return np.take(level, np.cumsum(mask, dtype=np.intp)) * powers

    def _run_part(self, x: Array, y0: float, out: Array) -> None:
        r = self._decay.r
        powers = self._decay.powers(x.size)
        if self._sign < 0.0:
            x, y0 = -x, -y0
        base = self._slow.run(x, 0.0)
        base /= powers
        goal = x / powers
        goal *= r
        goal[1:] -= base[:-1]
        np.add(base, self._rise(goal, y0), out=out)
        out *= powers
        if self._sign < 0.0:
            np.negative(out, out=out)

    def _rise(self, goal: Array, z0: float) -> Array:
        """Z[n] = Z[n-1] + (1 - rho) max(0, goal[n] - Z[n-1]) from z0, over all frames."""
        n = goal.size
        where = np.flatnonzero(goal > z0)
        z = self._rise_of_candidates(goal, where, z0) if where.size < n else None
        if z is None:
            z, where = self._shrink(goal, where, z0)
            if where.size == n:
                return z
            return self._spread(z, where, n, z0)
        return z

    def _rise_of_candidates(self, goal: Array, where: IntArray, z0: float) -> Array:
        z, where = self._shrink(goal, where, z0)
        return self._spread(z, where, goal.size, z0)

    def _shrink(self, goal: Array, where: IntArray, z0: float) -> tuple[Array, IntArray]:
        chosen = goal[where]
        rounds = 0
        while True:
            z = self._climb.run(chosen, z0)
            if z.size == 0:
                return z, where
            bound = z if rounds < 2 else np.maximum.accumulate(z)
            keep = np.empty(chosen.size, dtype=np.bool_)
            keep[0] = True
            np.greater(chosen[1:], bound[:-1], out=keep[1:])
            if keep.all():
                return z, where
            where, chosen = where[keep], chosen[keep]
            rounds += 1

    @staticmethod
    def _spread(z: Array, where: IntArray, n: int, z0: float) -> Array:
        held = np.empty(z.size + 1)
        held[0] = z0
        held[1:] = z
        mask = np.zeros(n, dtype=np.int8)
        mask[where] = 1
        return np.take(held, np.cumsum(mask, dtype=np.intp))


class Decoupled:
    """Smooth decoupled attack/release: a peak stage that releases with aR, then a one-pole aA. Exact."""

    def __init__(self, attack: float, release: float):
        self._decay = _Decay(release)
        self._slow = OnePole(release)
        self._soften = OnePole(attack)

    def run(self, x: Array, state: tuple[float, float]) -> tuple[Array, tuple[float, float]]:
        """Smooth x, shape (n_frames,). The state is (peak stage, output) of the frame before."""
        peak, last = state
        n = x.size
        if n == 0:
            return x.copy(), state
        held = np.empty(n)
        if self._decay.r == 0.0:
            held[:] = x
        else:
            for start in range(0, n, self._decay.longest):
                part = slice(start, min(n, start + self._decay.longest))
                self._hold(x[part], peak, held[part])
                peak = float(held[part.stop - 1])
        y = self._soften.run(held, last)
        return y, (float(held[-1]), float(y[-1]))

    def _hold(self, x: Array, peak: float, out: Array) -> None:
        powers = self._decay.powers(x.size)
        fall = self._slow.run(x, peak)
        over = x - fall
        over /= powers
        where = np.flatnonzero(over > 0.0)
        out[:] = fall
        if where.size:
            top = np.maximum.accumulate(over[where])
            out += Branching._spread(top, where, x.size, 0.0) * powers
