"""What is left of one sound once another is laid over it, K-weighted and matched in level."""

from __future__ import annotations

import numpy as np
from scipy.signal import sosfilt

from chainrun.dsp.arrays import Array
from chainrun.loudness.k_weighting import k_weighting
from chainrun.units import SILENCE_DB, power_ratio_db

MIN_LU = -150.0
"""The lower bound of residuals that are kept, rounded and compared."""


def k_weighted(x: Array, rate_hz: int) -> Array:
    """A whole signal of shape (n_channels, n_frames), K-weighted (ITU-R BS.1770)."""
    return np.asarray(sosfilt(k_weighting(rate_hz), x))


def matching_gain(product: float, energy: float) -> float:
    """The amplitude factor that lays B over A with the least residual; 0 where they have nothing in common.

    `product` is the sum of A times B, `energy` the sum of B squared.
    """
    return product / energy if energy > 0.0 and product > 0.0 else 0.0


def residual_lu(left: float, whole: float, *, minimum: float = SILENCE_DB) -> float:
    """The energy that is left against the whole one, both K-weighted, in LU; `minimum` for less than that."""
    return max(minimum, power_ratio_db(left, whole))
