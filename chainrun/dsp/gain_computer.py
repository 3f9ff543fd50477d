"""Static curves of a compressor and of an expander, in units of log2 of the amplitude.

Source: Giannoulis, Massberg, Reiss, JAES 60(6), 2012: hard knee for W = 0, else a quadratic knee of width W around
the threshold; here as the reduction x - y >= 0.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from chainrun.dsp.arrays import Array
from chainrun.units import LOG2_PER_DB


def _knee(u: Array, knee: float) -> Array:
    """Excess over the threshold, quadratic in the knee, for u >= 0 counted from the knee's lower end; in place."""
    if knee > 1e-9:  # narrower knees count as hard
        c = np.minimum(u, knee)
        u -= c
        c *= c
        c *= 0.5 / knee
        u += c
    return u


@dataclass(frozen=True)
class DownwardCurve:
    """Reduction above a threshold. All in dB except the ratio (1 … inf)."""

    threshold_dbfs: float
    ratio: float
    knee_db: float = 0.0
    range_db: float = math.inf

    @property
    def foot(self) -> float:
        """Amplitude at the lower end of the knee: at or below it nothing is reduced."""
        return float(2.0 ** ((self.threshold_dbfs - self.knee_db / 2.0) * LOG2_PER_DB))

    def reduction(self, level: Array) -> Array:
        """Reduction in log2 units for amplitudes > 0; a new array of the same shape.

        Without branches: u = max(0, x - T + W/2), c = min(u, W), reduction = (1 - 1/R) (c^2 / 2W + u - c).
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
    """Change below a threshold: `slope` dB per dB below it, with a soft knee, limited to the range.

    For each dB below the threshold, a downward expander of ratio R reduces by (R - 1) dB, and upward compression of
    ratio R adds (1 - 1/R) dB.
    """

    threshold_dbfs: float
    slope: float
    knee_db: float
    range_db: float

    def change(self, level: Array) -> Array:
        """Size of the change in log2 units for amplitudes > 0; a new array of the same shape."""
        knee = self.knee_db * LOG2_PER_DB
        u = np.log2(level)
        np.subtract(self.threshold_dbfs * LOG2_PER_DB + knee / 2.0, u, out=u)
        np.maximum(u, 0.0, out=u)
        u = _knee(u, knee)
        u *= self.slope
        np.minimum(u, self.range_db * LOG2_PER_DB, out=u)
        return u
