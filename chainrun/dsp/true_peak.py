"""Peaks between the samples, interpolated only where they can exceed a floor.

ITU-R BS.1770-5 Annex 2 asks for at least four times the rate and prints one set of coefficients "that would
satisfy"; that set has up to 0.2 dB of ripple. Here each in-between phase is a Kaiser-windowed sinc of 2 * half
taps scaled to a DC gain of 1, so that the samples themselves are one of the phases and the others are flat
within 0.03 dB to 20 kHz at 48 kHz (tests/loudness compares both).

|interpolated| <= max |x| over the taps times `bound` = max_p sum |h_p|: rows whose samples stay below
floor / bound cannot exceed the floor, and are skipped.
"""

from __future__ import annotations

import numpy as np

from chainrun.dsp.arrays import Array, IntArray

ROW = 16
CHUNK_ROWS = 1024


class Interpolator:
    """Interpolates the values between samples at `factor` times the rate."""

    def __init__(self, factor: int = 4, half_taps: int = 12, beta: float = 6.5):
        self.factor, self.half_taps = factor, half_taps
        self.n_taps = 2 * half_taps
        self._span = ROW + self.n_taps - 1
        self._matrices: list[Array] = []
        self.bound = 1.0
        for phase in range(1, factor):
            t = np.arange(self.n_taps) - (half_taps - 1) - phase / factor
            window = np.i0(beta * np.sqrt(np.maximum(0.0, 1.0 - (t / half_taps) ** 2))) / np.i0(beta)
            taps = np.sinc(t) * window
            taps /= taps.sum()
            self.bound = max(self.bound, float(np.abs(taps).sum()))
            matrix = np.zeros((self._span, ROW))
            for column in range(ROW):
                matrix[column : column + self.n_taps, column] = taps
            self._matrices.append(matrix)

    def rows_over(self, x: Array, floor: float) -> IntArray:
        """Indices of rows of 16 frames whose in-between values might exceed `floor`.

        x has shape (n_frames + n_taps - 1,); row r covers the values between x[16r + half - 1 …] and their right
        neighbours.
        """
        limit = floor / self.bound
        hot = np.flatnonzero(np.abs(x) > limit)
        if hot.size == 0:
            return np.empty(0, dtype=np.int64)
        n_rows = -(-(x.size - self.n_taps + 1) // ROW)
        chunks = np.zeros(x.size // ROW + 2, dtype=np.bool_)
        chunks[hot // ROW] = True
        reach = -(-self._span // ROW)
        marked = chunks[:n_rows].copy()
        for shift in range(1, reach):
            part = chunks[shift : shift + n_rows]
            marked[: part.size] |= part
        return np.flatnonzero(marked)

    def peaks_of_rows(self, x: Array, rows: IntArray) -> Array:
        """Maximum in-between magnitude to the right of each frame of these rows, shape (n_rows, 16)."""
        needed = int(rows[-1]) * ROW + self._span
        if x.size < needed:
            x = np.concatenate([x, np.zeros(needed - x.size)])
        windows = np.lib.stride_tricks.sliding_window_view(x, self._span)[rows * ROW]
        windows = np.ascontiguousarray(windows)
        best = np.abs(windows @ self._matrices[0])
        for matrix in self._matrices[1:]:
            value = windows @ matrix
            np.maximum(best, np.abs(value, out=value), out=best)
        return best

    def maximum(self, x: Array, floor: float) -> float:
        """The larger of `floor` and the maximum in-between magnitude; x as in `rows_over`."""
        n_frames = x.size - self.n_taps + 1
        if n_frames <= 0 or x.size == 0:
            return floor
        top = int(np.abs(x).argmax())
        if abs(float(x[top])) * self.bound <= floor:
            return floor
        first = min(max(0, (top - self.half_taps) // ROW), (n_frames - 1) // ROW)
        rows = np.arange(max(0, first - 1), min(first + 2, -(-n_frames // ROW)))
        floor = max(floor, self._best(x, rows, n_frames))
        rows = self.rows_over(x, floor)
        for start in range(0, rows.size, CHUNK_ROWS):
            floor = max(floor, self._best(x, rows[start : start + CHUNK_ROWS], n_frames))
        return floor

    def _best(self, x: Array, rows: IntArray, n_frames: int) -> float:
        peaks = self.peaks_of_rows(x, rows)
        beyond = (int(rows[-1]) + 1) * ROW - n_frames
        if beyond > 0:
            peaks[-1, ROW - beyond :] = 0.0
        return float(peaks.max())
