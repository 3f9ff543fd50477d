"""Conversion between two sampling rates by a polyphase filter, block by block.

tests/dsp checks the quality for 44.1 <-> 48 kHz: flat within 0.01 dB to 20 kHz, images and
aliases of tones up to 20 kHz below -100 dB; time 0 stays time 0. The filter is a Kaiser-windowed sinc
(beta 10, 128 zero crossings of the lower rate).

Outputs are computed in rows: `up` outputs use `down` new inputs, so one matrix serves every row.
"""

from __future__ import annotations

import math

import numpy as np

from chainrun.dsp.arrays import Array, silence

HALF_CROSSINGS = 64
KAISER_BETA = 10.0
MIN_ROW = 128
MAX_MATRIX_SIZE = 1 << 22


class Resampler:
    """Converts blocks of shape (n_channels, n_frames) from `from_hz` to `to_hz`."""

    def __init__(self, from_hz: int, to_hz: int, n_channels: int):
        common = math.gcd(from_hz, to_hz)
        self.up, self.down = to_hz // common, from_hz // common
        repeat = max(1, MIN_ROW // self.up)
        self._outs, self._ins = self.up * repeat, self.down * repeat
        self._cutoff = min(1.0, self.up / self.down)
        self._half = math.ceil(HALF_CROSSINGS / self._cutoff)
        self._span = self._ins + 2 * self._half
        self._matrix = self._design() if self._span * self._outs <= MAX_MATRIX_SIZE else None
        self._pending = silence(n_channels, self._half)
        self._phase = 0

    def _taps(self, t: Array) -> Array:
        window = np.sqrt(np.maximum(0.0, 1.0 - (t / self._half) ** 2))
        shape = np.where(np.abs(t) < self._half, np.i0(KAISER_BETA * window) / np.i0(KAISER_BETA), 0.0)
        taps: Array = self._cutoff * np.sinc(self._cutoff * t) * shape
        return taps

    def _design(self) -> Array:
        """Matrix from a row of inputs (span) to a row of outputs: entry (i, m) weights input i - half in output m."""
        inputs = np.arange(float(self._span))[:, None] - self._half
        outputs = np.arange(float(self._outs))[None, :] * (self.down / self.up)
        offsets: Array = outputs - inputs
        matrix = self._taps(offsets)
        matrix /= matrix.sum(axis=0, keepdims=True)
        return np.ascontiguousarray(matrix)

    def run(self, x: Array, *, last: bool = False) -> Array:
        """Convert a block of shape (n_channels, n_frames); returns all outputs that are ready, (n_channels, any).

        With `last`, also the rest, as if silence followed.
        """
        joined = np.concatenate([self._pending, x], axis=1)
        if last:
            joined = np.concatenate([joined, silence(x.shape[0], self._span + self._half)], axis=1)
        if self._matrix is None:
            return self._run_odd(joined)
        n_rows = max(0, (joined.shape[1] - 2 * self._half) // self._ins)
        y = np.empty((x.shape[0], n_rows * self._outs))
        if n_rows:
            for channel in range(x.shape[0]):
                windows = np.lib.stride_tricks.sliding_window_view(joined[channel], self._span)
                rows = windows[:: self._ins][:n_rows]
                np.matmul(rows, self._matrix, out=y[channel].reshape(n_rows, self._outs))
        self._pending = joined[:, n_rows * self._ins :].copy()
        return y

    def _run_odd(self, joined: Array) -> Array:
        """Convert rates with too small a common divisor for a matrix: compute the taps of each output."""
        ready = joined.shape[1] - 2 * self._half
        n_out = max(0, (ready * self.up - self._phase + self.down - 1) // self.down)
        if n_out == 0:
            self._pending = joined
            return silence(joined.shape[0], 0)
        parts = []
        for start in range(0, n_out, 1024):
            at = (np.arange(start, min(n_out, start + 1024)) * self.down + self._phase) / self.up
            base = np.floor(at).astype(np.int64)
            index = base[:, None] + np.arange(2 * self._half)
            taps = self._taps(at[:, None] - (index - self._half))
            taps /= taps.sum(axis=1, keepdims=True)
            parts.append(np.einsum("cij,ij->ci", joined[:, index], taps))
        used, self._phase = divmod(n_out * self.down + self._phase, self.up)
        self._pending = joined[:, used:].copy()
        return np.concatenate(parts, axis=1)
