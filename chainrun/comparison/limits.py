"""Thresholds from which a difference counts: defaults, each with its reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from chainrun.dsp.arrays import Array
from chainrun.units import power_ratio_db

DITHER_24_DBFS = -136.0
"""Level of the difference of two dithered 24-bit files: rounding with triangular dither is 2^-23 / 2 as RMS
(-144.5 dBFS); two independent dithers add 3 dB, K-weighting about 3 dB for white noise, 2.5 dB are a margin."""
SHORTER_DB = 48.16
"""Eight bits: added for 16-bit files."""
INAUDIBLE_LU = -60.0
"""Maximum residual that the mix masks (common practice)."""
INAUDIBLE_BAND_DB = 0.1
"""Maximum change of a third octave that counts as none (common practice: the smallest audible step is near 0.5 dB)."""
NAMED_BAND_DB = 0.5
"""Minimum change of a third octave that the verdict names."""
MAX_BAND_DB = 99.0
"""Upper bound of a third octave's change: a band of silence would change by infinity."""
WORTH_DB = 50.0
"""Bands more than this below the loudest one do not count: they hold noise and dither."""


@dataclass(frozen=True)
class Floor:
    """Thresholds below which a difference counts as inaudible."""

    residual_lu: float = INAUDIBLE_LU
    third_octave_db: float = INAUDIBLE_BAND_DB
    dither_dbfs: float = DITHER_24_DBFS

    def holds(self, residual_lu: float, loudest_lu: float, loudest_dbfs: float, bands_db: float) -> bool:
        """Whether a difference is inaudible: below the files' dither, or far below the mix with all bands in place.

        `loudest_lu` and `loudest_dbfs` are those of the second (or longer step) with the largest residual: a long song
        around it does not hide a click. See `steps_lu`.
        """
        if loudest_dbfs <= self.dither_dbfs:
            return True
        return max(residual_lu, loudest_lu) <= self.residual_lu and bands_db <= self.third_octave_db


def dither_dbfs(encoding: str) -> float:
    """The level up to which a difference is dither: a 16-bit file with another seed is the same mix."""
    return DITHER_24_DBFS + (SHORTER_DB if encoding == "PCM_16" else 0.0)


def steps_lu(apart: Sequence[float] | Array, whole: Sequence[float] | Array) -> Array:
    """The residual of each time step in LU, against the mix's mean or that step of it, whichever is louder.

    `apart` and `whole` are K-weighted energies of the same steps.
    """
    left, mix = np.asarray(apart, dtype=np.float64), np.asarray(whole, dtype=np.float64)
    against = np.maximum(mix, mix.mean()) if mix.size else mix
    return np.array([power_ratio_db(float(a), float(b)) for a, b in zip(left, against, strict=True)])
