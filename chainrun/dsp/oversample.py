"""Runs a curve at a multiple of the rate: polyphase filter up, curve, polyphase filter down, as matrix products.

Up: the prototype is a Nyquist filter, so phase 0 is a pure delay and only the phases between are computed; the
planes of the phases are never interleaved. Down: one product per plane. Rows of B frames: the frames that a row needs,
times a banded matrix of the taps.

The down filter must stop at the Nyquist frequency: with a half-band pair 25 kHz folds to 23 kHz almost unattenuated. It
attenuates by 105 dB there. Its cut-off is 0.452 of the rate (21.7 kHz at 48 kHz), where it is 6 dB down; up to 0.415 it
is flat within 0.05 dB.
`python -m tests.bench saturation` prints the cost of the variants and the level of their aliases.

A curve with corners makes harmonics that fall too slowly for any affordable multiple of the rate. For such a curve, the
mean over the straight line between two neighbours, (F(b) - F(a)) / (b - a) with F the antiderivative, replaces the
value at each point (Parker, Zavalishin and Le Bivic, "Reducing the aliasing of nonlinear waveshaping using
continuous-time convolution", DAFx-16, 2016). That is half a point late, and where the curve is straight it attenuates
by cos(w/2), w being the frequency in radians per point. The down filter compensates both, the loss by 1 + (2 - 2 cos w)
/ 8, which leaves 0.002 dB of it at 20 kHz and 8 times 48 kHz (0.03 dB at 4 times, 0.5 dB at 2 times).
"""

from __future__ import annotations

import numpy as np

from chainrun.dsp.arrays import Array
from chainrun.dsp.curves import Antiderivative, Curve
from chainrun.dsp.scratch import Scratch

ROW = 32
UP_HALF = 16
"""Half length of the up filter, in frames of the base rate."""
DOWN_HALF = 32
"""Half length of the down filter, in frames of the base rate."""
BETA = 9.6
DOWN_CUT = 0.452
CHUNK_ROWS = 256
SAME = 1e-5
"""Between neighbours closer than this the curve at their middle is used: the quotient would lose its digits."""


def _kaiser_sinc(t: Array, cut: float, half: float) -> Array:
    window = np.i0(BETA * np.sqrt(np.maximum(0.0, 1.0 - (t / half) ** 2))) / np.i0(BETA)
    taps: Array = 2.0 * cut * np.sinc(2.0 * cut * t) * np.where(np.abs(t) <= half, window, 0.0)
    return taps


def _banded(taps: Array) -> Array:
    """Matrix from a row's frames (ROW + len(taps) - 1) to its ROW outputs y[n] = sum_k taps[k] x[n + K - 1 - k]."""
    matrix = np.zeros((ROW + taps.size - 1, ROW))
    for column in range(ROW):
        matrix[column : column + taps.size, column] = taps[::-1]
    return matrix


class Oversampler:
    """Runs a curve at `factor` times the rate on one channel, UP_HALF + DOWN_HALF frames late (factor 1: not late).

    With an antiderivative (factor 2 or more) it uses the curve's means between neighbours.
    """

    def __init__(
        self,
        factor: int,
        curve: Curve,
        drive: float,
        level: float,
        *,
        scratch: Scratch | None = None,
        antiderivative: Antiderivative | None = None,
    ):
        self.factor, self._curve, self._drive, self._level = factor, curve, drive, level
        self._antiderivative = antiderivative
        self._scratch = scratch or Scratch()
        self.latency_frames = UP_HALF + DOWN_HALF if factor > 1 else 0
        if factor == 1:
            return
        self._up = [_banded(drive * self._up_taps(phase)) for phase in range(1, factor)]
        self._down = [_banded(level * taps) for taps in self._down_taps()]
        # Input: the past frames that the up filter needs. Planes: the past points that the down filter needs.
        self._input = np.zeros(2 * UP_HALF - 1)
        self._planes = [np.zeros(2 * DOWN_HALF) for _ in range(factor)]
        self._last = 0.0
        """Last point of the last plane: the point before the next call's first."""

    def _up_taps(self, phase: int) -> Array:
        """Taps k = 0 … 2 UP_HALF - 1 on x[n - k] for the value phase / factor of a frame after frame n - UP_HALF."""
        t = np.arange(2.0 * UP_HALF) - UP_HALF + phase / self.factor
        taps = _kaiser_sinc(t, 0.5, UP_HALF)
        scaled: Array = taps / taps.sum()
        return scaled

    def _down_taps(self) -> list[Array]:
        """Taps of each plane over its frames n - k, for the output at frame n - DOWN_HALF."""
        planes = []
        for phase in range(self.factor):
            t = DOWN_HALF - np.arange(2.0 * DOWN_HALF + 1.0) + phase / self.factor
            planes.append(self._down_shape(t))
        total = sum(float(taps.sum()) for taps in planes)
        return [taps / total for taps in planes]

    def _down_shape(self, t: Array) -> Array:
        half, point = DOWN_HALF + 0.5, 1.0 / self.factor
        if self._antiderivative is None:
            return _kaiser_sinc(t, DOWN_CUT, half)
        near, middle, far = (_kaiser_sinc(t + (shift - 0.5) * point, DOWN_CUT, half) for shift in (-1, 0, 1))
        shaped: Array = middle + (2.0 * middle - near - far) / 8.0
        return shaped

    def run(self, x: Array) -> Array:
        """Shape a block of shape (n_frames,); returns the same length, `latency_frames` late."""
        if self.factor == 1:
            y = x * self._drive
            self._curve(y)
            y *= self._level
            return y
        out = np.empty(x.size)
        for start in range(0, x.size, ROW * CHUNK_ROWS):
            part = x[start : start + ROW * CHUNK_ROWS]
            out[start : start + part.size] = self._run_chunk(part)
        return out

    def _run_chunk(self, x: Array) -> Array:
        n = x.size
        n_rows = -(-n // ROW)
        padded = n_rows * ROW
        look = self._input.size
        joined = self._scratch.take("oversample input", look + padded)
        joined[:look] = self._input
        joined[look : look + n] = x
        joined[look + n :] = 0.0
        self._input = joined[n : n + look].copy()
        windows = _rows(joined, n_rows, ROW + look)
        delayed = joined[look - UP_HALF : look - UP_HALF + padded]
        y = np.zeros((n_rows, ROW))
        product = self._scratch.take("oversample product", padded).reshape(n_rows, ROW)
        before = None
        if self._antiderivative is not None:
            before = self._scratch.take("oversample points 1", 1 + padded)
            self._points(self.factor - 1, windows, delayed, before[1:])
            before[0], self._last = self._last, float(before[n])
        for phase in range(self.factor):
            back = self._planes[phase].size
            plane = self._scratch.take("oversample plane", back + padded)
            plane[:back] = self._planes[phase]
            fresh = plane[back:]
            if before is None:
                self._points(phase, windows, delayed, fresh)
                self._curve(fresh)
            else:
                points = self._scratch.take(f"oversample points {phase % 2}", padded)
                self._points(phase, windows, delayed, points)
                self._means(before[:padded], points, fresh)
                before = points
            self._planes[phase] = plane[n : n + back].copy()
            np.matmul(_rows(plane, n_rows, ROW + back), self._down[phase], out=product)
            y += product
        return y.reshape(-1)[:n]

    def _points(self, phase: int, windows: Array, delayed: Array, out: Array) -> None:
        """Write the driven signal `phase` / factor of a frame after frame n - UP_HALF to `out`."""
        if phase == 0:
            np.multiply(delayed, self._drive, out=out)
        else:
            np.matmul(windows, self._up[phase - 1], out=out.reshape(windows.shape[0], ROW))

    def _means(self, before: Array, points: Array, out: Array) -> None:
        """Write the curve's means between neighbouring points to `out`."""
        assert self._antiderivative is not None
        step = np.subtract(points, before, out=self._scratch.take("oversample step", points.size))
        np.subtract(self._antiderivative(points), self._antiderivative(before), out=out)
        near = np.flatnonzero(np.abs(step) < SAME)
        step[near] = 1.0
        out /= step
        middle = 0.5 * (points[near] + before[near])
        self._curve(middle)
        out[near] = middle


def _rows(x: Array, n_rows: int, width: int) -> Array:
    """Overlapping rows of `width` frames, one every ROW frames."""
    return np.lib.stride_tricks.as_strided(x, (n_rows, width), (ROW * x.strides[0], x.strides[0]), writeable=False)
