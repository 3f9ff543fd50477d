"""Held peak: y[n] = max(x[n], decay * y[n-1]) for x >= 0.

Divided by decay^(n+1) this is a running maximum, which only frames above the held value can change.
"""

from __future__ import annotations

import math

import numpy as np

from chainrun.dsp.arrays import Array
from chainrun.dsp.scratch import Scratch


class PeakHold:
    """Holds peaks, which fall by the factor `decay` per frame, block by block."""

    def __init__(self, decay: float, scratch: Scratch | None = None):
        self.decay = decay
        self._scratch = scratch or Scratch()
        self._longest = max(1, int(-600.0 / math.log(decay))) if 0.0 < decay < 1.0 else 1 << 20
        self._powers = self._inverse = np.empty(0)

    def run(self, x: Array, last: float, out: Array | None = None) -> Array:
        """Held peak of x, shape (n_frames,), from `last`, its value at the frame before; `out` must not overlap x."""
        n = x.size
        y = np.empty(n) if out is None else out
        if self.decay == 0.0:
            y[:] = x
            return y
        length = min(n, self._longest)
        if self._powers.size < length:
            self._powers = self.decay ** np.arange(1.0, length + 1.0)
            self._inverse = 1.0 / self._powers
        for start in range(0, n, self._longest):
            part = slice(start, min(n, start + self._longest))
            size = part.stop - start
            lifted = self._scratch.take("peak hold", size)
            np.multiply(x[part], self._inverse[:size], out=lifted)
            where = np.flatnonzero(lifted > last)
            held = np.empty(where.size + 1)
            held[0] = last
            np.maximum.accumulate(np.take(lifted, where), out=held[1:])
            mask = np.zeros(size, dtype=np.int8)
            mask[where] = 1
            np.take(held, np.cumsum(mask, dtype=np.intp), out=y[part], mode="clip")
            y[part] *= self._powers[:size]
            last = float(y[part.stop - 1])
        return y
