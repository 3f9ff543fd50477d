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


@dataclass(frozen=True)
class DownwardCurve:
    """Reduction above a threshold. All in dB but the ratio (1 … inf)."""

    threshold_db: float
    ratio: float
    knee_db: float = 0.0
    range_db: float = math.inf

    @property
    def foot(self) -> float:
        """The amplitude at and below which nothing is reduced."""
        return float(2.0 ** ((self.threshold_db - self.knee_db / 2.0) * LOG2_PER_DB))

    def reduction(self, level: Array) -> Array:
        """Reduction in log2 units of amplitudes > 0; a new array of the same shape.

        Without branches: u = x - T + W/2 >= 0, c = min(u, W), reduction = (1 - 1/R) (c^2 / 2W + u - c).
        """
        knee = self.knee_db * LOG2_PER_DB
        slope = 1.0 - 1.0 / self.ratio
        u = np.log2(level)
        u -= self.threshold_db * LOG2_PER_DB - knee / 2.0
        np.maximum(u, 0.0, out=u)
        if knee > 0.0:
            c = np.minimum(u, knee)
            u -= c
            c *= c
            c *= 0.5 / knee
            u += c
        u *= slope
        if self.range_db < math.inf:
            np.minimum(u, self.range_db * LOG2_PER_DB, out=u)
        return u
