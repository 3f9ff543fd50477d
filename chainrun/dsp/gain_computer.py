"""The static curve of a compressor, in units of log2 of the amplitude.

Source: Giannoulis, Massberg, Reiss, JAES 60(6), 2012, eq. (4): hard knee for W = 0, else a quadratic knee of
width W around the threshold. Told as the reduction x - y >= 0.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from chainrun.dsp.arrays import Array
from chainrun.units import LOG2_PER_DB


def _knee(u: Array, knee: float) -> Array:
    """The excess over the threshold for u >= 0 counted from the foot of the knee: quadratic in the knee; in place."""
    if knee > 1e-9:  # narrower ones are hard
        c = np.minimum(u, knee)
        u -= c
        c *= c
        c *= 0.5 / knee
        u += c
    return u


@dataclass(frozen=True)
class DownwardCurve:
    """Reduction above a threshold. All in dB but the ratio (1 … inf)."""

    threshold_dbfs: float
    ratio: float
    knee_db: float = 0.0
    range_db: float = math.inf

    @property
    def foot(self) -> float:
        """The amplitude at and below which nothing is reduced."""
        return float(2.0 ** ((self.threshold_dbfs - self.knee_db / 2.0) * LOG2_PER_DB))

    def reduction(self, level: Array) -> Array:
        """Reduction in log2 units of amplitudes > 0; a new array of the same shape.

        Without branches: u = x - T + W/2 >= 0, c = min(u, W), reduction = (1 - 1/R) (c^2 / 2W + u - c).
        """
        knee = self.knee_db * LOG2_PER_DB
        slope = 1.0 - 1.0 / self.ratio
        u = np.log2(level)
        u -= self.threshold_dbfs * LOG2_PER_DB - knee / 2.0
        np.maximum(u, 0.0, out=u)
        u = _knee(u, knee)
        u *= slope
        if self.range_db < math.inf:
            np.minimum(u, self.range_db * LOG2_PER_DB, out=u)
        return u


@dataclass(frozen=True)
class BelowCurve:
    """A change that grows below a threshold: `slope` dB for each dB under it, with a soft knee, capped at the range.

    A downward expander of ratio R takes away (R - 1) dB a dB; upward compression of ratio R adds (1 - 1/R) dB a dB.
    """

    threshold_dbfs: float
    slope: float
    knee_db: float
    range_db: float

    def change(self, level: Array) -> Array:
        """Size of the change in log2 units of amplitudes > 0; a new array of the same shape."""
        knee = self.knee_db * LOG2_PER_DB
        u = np.log2(level)
        np.subtract(self.threshold_dbfs * LOG2_PER_DB + knee / 2.0, u, out=u)
        np.maximum(u, 0.0, out=u)
        u = _knee(u, knee)
        u *= self.slope
        np.minimum(u, self.range_db * LOG2_PER_DB, out=u)
        return u
