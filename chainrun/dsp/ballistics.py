"""Smoothers with one or two time constants: one-pole, and smooth branching and smooth decoupled attack/release.

Source of the equations: Giannoulis, Massberg, Reiss, "Digital Dynamic Range Compressor Design", JAES 60(6),
2012. A time constant is the time to 63.2 % of a step.

They run without a loop over samples:

* A one-pole over rows of B frames is a product with a lower-triangular matrix, plus the carried value times a
  decaying row; the carried values themselves obey a one-pole over the row ends, B times shorter.
* Branching. With r = aR, A[n] = r^(n+1), P the release-only one-pole of x started from 0, S = P / A and
  T[n] = x[n] / r^n - S[n-1], the substitution y = A (Z + S) turns the smooth branching equation into
  Z[n] = Z[n-1] + (1 - aA/aR) max(0, T[n] - Z[n-1]): Z never falls, and moves only where T > Z. Over the frames
  that can move it (the candidates) the recurrence without its max is a plain one-pole whose result is nowhere
  above Z. A candidate that does not exceed that bound is dropped; when none is dropped any more, the bound is Z.
* Decoupled. With s the one-pole aR of x, the peak stage is s + A max.accumulate((x - s) / A).
"""

from __future__ import annotations

import math

import numpy as np

from chainrun.dsp.arrays import Array, IntArray
from chainrun.dsp.scratch import Scratch

ROW = 16
"""Frames per row of the one-pole's matrix product: 16 ran faster than 8, 32, 64 and 128 (tests/bench)."""
SHORT = 256
"""Below this many frames the plain recursion is faster."""

_ONE = np.array([1.0])


def time_constant(ms: float, rate_hz: float) -> float:
    """Coefficient exp(-1 / (tau fs)) of a one-pole that reaches 63.2 % of a step in `ms`; 0 for 0 ms."""
    return math.exp(-1000.0 / (ms * rate_hz)) if ms > 0.0 else 0.0


class _Recursion:
    """y[n] = q y[n-1] + gain x[n] over rows of ROW frames: one matrix per row, and a recursion over the row ends."""

    def __init__(self, q: float, gain: float, name: str, scratch: Scratch, depth: int):
        self._q, self._gain, self._name, self._scratch = q, gain, name, scratch
        powers = q ** np.arange(ROW + 1)
        lag = np.arange(ROW)[None, :] - np.arange(ROW)[:, None]
        self._rows = np.where(lag >= 0, gain * powers[np.maximum(lag, 0)], 0.0)
        self._ends = np.ascontiguousarray(self._rows[:, -1])
        # A row's carried value c acts like q c / gain on top of the row's first frame.
        self._lift = q / gain
        self._leap = float(powers[-1])
        self._inner = _Recursion(self._leap, 1.0, f"{name} ends", scratch, depth - 1) if depth else None

    def run(self, x: Array, y0: float, out: Array, *, squared: bool = False) -> None:
        """Run over x, shape (n,), or its squares; `out` may not overlap x."""
        n = x.size
        n_rows = n // ROW if n >= SHORT else 0
        whole = n_rows * ROW
        if whole:
            work = self._scratch.take(self._name, whole)
            if squared:
                np.multiply(x[:whole], x[:whole], out=work)
            else:
                work[:] = x[:whole]
            rows = work.reshape(n_rows, ROW)
            ends = rows @ self._ends
            rows[0, 0] += self._lift * y0
            carry = self._scratch.take(self._name + " carry", n_rows)[: n_rows - 1]
            if self._inner is not None and n_rows > 1:
                self._inner.run(ends[:-1], y0, carry)
            elif n_rows > 1:
                from scipy.signal import lfilter

                carry[:] = lfilter(_ONE, np.array([1.0, -self._leap]), ends[:-1], zi=np.array([self._leap * y0]))[0]
            carry *= self._lift
            rows[1:, 0] += carry
            np.matmul(rows, self._rows, out=out[:whole].reshape(n_rows, ROW))
            y0 = float(out[whole - 1])
        if whole < n:
            rest = x[whole:] * x[whole:] if squared else x[whole:]
            b, a, zi = np.array([self._gain]), np.array([1.0, -self._q]), np.array([self._q * y0])
            from scipy.signal import lfilter

            out[whole:] = lfilter(b, a, rest, zi=zi)[0]


class OnePole:
    """One-pole smoother, y[n] = a y[n-1] + (1 - a) x[n], block by block."""

    def __init__(self, a: float, scratch: Scratch | None = None):
        self.a = a
        self._recursion = _Recursion(a, 1.0 - a, "one-pole", scratch or Scratch(), depth=1) if 0.0 < a < 1.0 else None

    def run(self, x: Array, y0: float, out: Array | None = None) -> Array:
        """Smooth x, shape (n_frames,), from y0, the output at the frame before. Returns y, same shape.

        `out` must not overlap x.
        """
        y = np.empty(x.size) if out is None else out
        if self._recursion is None:
            y[:] = x if self.a == 0.0 else y0
        else:
            self._recursion.run(x, y0, y)
        return y

    def run_squared(self, x: Array, y0: float, out: Array | None = None) -> Array:
        """Smooth the squares of x (a running mean square), otherwise as `run`."""
        y = np.empty(x.size) if out is None else out
        if self._recursion is None:
            np.multiply(x, x, out=y)
            if self.a == 1.0:
                y[:] = y0
        else:
            self._recursion.run(x, y0, y, squared=True)
        return y


class _Decay:
    """Tables of r^(n+1) and its inverse, and the maximum block whose powers stay in range (600 time constants)."""

    def __init__(self, r: float):
        self.r = r
        self.longest = 1 << 20 if r <= 0.0 or r >= 1.0 else max(1, min(1 << 20, int(-600.0 / math.log(r))))
        self._powers = self._inverse = np.empty(0)

    def powers(self, n: int) -> Array:
        """r^(n+1), shape (n,)."""
        self._grow(n)
        return self._powers[:n]

    def inverse(self, n: int) -> Array:
        """r^-(n+1), shape (n,)."""
        self._grow(n)
        return self._inverse[:n]

    def _grow(self, n: int) -> None:
        if self._powers.size < n:
            self._powers = self.r ** np.arange(1.0, n + 1.0)
            self._inverse = 1.0 / self._powers


def _spread(values: Array, where: IntArray, before: float, n: int, out: Array) -> Array:
    """Staircase of n frames: starts at `before`, takes the next of `values` at each index in `where` (ascending)."""
    held = np.empty(values.size + 1)
    held[0] = before
    held[1:] = values
    mask = np.zeros(n, dtype=np.int8)
    mask[where] = 1
    np.take(held, np.cumsum(mask, dtype=np.intp), out=out, mode="clip")
    return out


class Branching:
    """Smooth branching attack/release: coefficient aA while x is above the last output, else aR. Exact."""

    def __init__(self, attack: float, release: float, scratch: Scratch | None = None):
        self.attack, self.release = attack, release
        self._turned = attack > release
        self._scratch = scratch or Scratch()
        fast, slow = min(attack, release), max(attack, release)
        self._decay = _Decay(slow)
        self._slow = OnePole(slow, self._scratch)
        self._climb = OnePole(fast / slow if slow > 0.0 else 0.0, self._scratch)

    def run(self, x: Array, y0: float, out: Array | None = None) -> Array:
        """Smooth x, shape (n_frames,), from y0, the output at the frame before. Returns y; `out` must not overlap x."""
        n = x.size
        y = np.empty(n) if out is None else out
        if self._decay.r == 0.0:
            y[:] = x
            return y
        for start in range(0, n, self._decay.longest):
            part = slice(start, min(n, start + self._decay.longest))
            if self._turned:
                # aA > aR: the same with both signs inverted.
                self._run_part(-x[part], -y0, y[part])
                np.negative(y[part], out=y[part])
            else:
                self._run_part(x[part], y0, y[part])
            y0 = float(y[part.stop - 1])
        return y

    def run_sparse(self, values: Array, where: IntArray, n_frames: int, y0: float, out: Array | None = None) -> Array:
        """As `run`, for an x of `n_frames` that is `values` > 0 at `where` (ascending) and 0 elsewhere; y0 >= 0."""
        if self._turned or self._decay.longest < n_frames or self._decay.r == 0.0:
            x = np.zeros(n_frames)
            x[where] = values
            return self.run(x, y0, out)
        y = np.empty(n_frames) if out is None else out
        r = self._decay.r
        scaled = values * self._decay.inverse(n_frames)[where]
        # Where x is 0 only the release acts: neither S nor Z changes there.
        steps = np.empty(where.size + 1)
        steps[0] = 0.0
        np.cumsum(scaled, out=steps[1:])
        steps *= 1.0 - r
        scaled *= r
        scaled -= steps[:-1]
        chosen = np.flatnonzero(scaled > y0)
        z, chosen = self._shrink(scaled[chosen], chosen, y0)
        level = _spread(z, chosen, y0, where.size, np.empty(where.size))
        level += steps[1:]
        _spread(level, where, y0, n_frames, y)
        y *= self._decay.powers(n_frames)
        return y

    def _run_part(self, x: Array, y0: float, out: Array) -> None:
        n, scratch = x.size, self._scratch
        base = self._slow.run(x, 0.0, scratch.take("branching base", n))
        base *= self._decay.inverse(n)
        goal = scratch.take("branching goal", n)
        goal[0] = x[0]
        np.multiply(x[1:], self._decay.inverse(n - 1), out=goal[1:])
        goal[1:] -= base[:-1]
        where = np.flatnonzero(goal > y0)
        z, where = self._shrink(np.take(goal, where), where, y0)
        _spread(z, where, y0, n, out)
        out += base
        out *= self._decay.powers(n)

    def _shrink(self, chosen: Array, where: IntArray, z0: float) -> tuple[Array, IntArray]:
        """Z at the candidates that move it, and their indices."""
        rounds = 0
        while chosen.size:
            z = self._climb.run(chosen, z0)
            bound = z if rounds < 2 else np.maximum.accumulate(z)
            keep = np.empty(chosen.size, dtype=np.bool_)
            keep[0] = True
            np.greater(chosen[1:], bound[:-1], out=keep[1:])
            kept = np.flatnonzero(keep)
            if kept.size == chosen.size:
                return z, where
            where, chosen = np.take(where, kept), np.take(chosen, kept)
            rounds += 1
        return chosen, where


class Decoupled:
    """Smooth decoupled attack/release: a peak stage that releases with aR, then a one-pole with aA. Exact."""

    def __init__(self, attack: float, release: float, scratch: Scratch | None = None):
        self._scratch = scratch or Scratch()
        self._decay = _Decay(release)
        self._slow = OnePole(release, self._scratch)
        self._soften = OnePole(attack, self._scratch)

    def run(self, x: Array, state: tuple[float, float], out: Array | None = None) -> tuple[Array, tuple[float, float]]:
        """Smooth x, shape (n_frames,). The state is (peak stage, output) at the frame before."""
        peak, last = state
        n = x.size
        y = np.empty(n) if out is None else out
        if n == 0:
            return y, state
        held = self._scratch.take("decoupled peak", n)
        if self._decay.r == 0.0:
            held[:] = x
        else:
            for start in range(0, n, self._decay.longest):
                part = slice(start, min(n, start + self._decay.longest))
                self._hold(x[part], peak, held[part])
                peak = float(held[part.stop - 1])
        self._soften.run(held, last, y)
        return y, (float(held[-1]), float(y[-1]))

    def _hold(self, x: Array, peak: float, out: Array) -> None:
        n = x.size
        over = self._scratch.take("decoupled over", n)
        self._slow.run(x, peak, out)
        np.subtract(x, out, out=over)
        where = np.flatnonzero(over > 0.0)
        if where.size:
            top = np.take(over, where)
            top *= np.take(self._decay.inverse(n), where)
            np.maximum.accumulate(top, out=top)
            _spread(top, where, 0.0, n, over)
            over *= self._decay.powers(n)
            out += over
