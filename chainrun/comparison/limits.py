"""From where on a difference counts: defaults, each with its reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from chainrun.dsp.arrays import Array
from chainrun.units import power_ratio_db

DITHER_24_DBFS = -136.0
"""Rounding and triangular dither of 24 bits are 2^-23 / 2 as RMS, -144.5 dBFS. The difference of two files with dither
of their own has 3 dB more, K-weighting adds about 3 dB to white noise, and 2.5 dB are left as a margin."""
SHORTER_DB = 48.16
"""Eight bits."""
INAUDIBLE_LU = -60.0
"""A residual this far under the mix is masked by it (common practice)."""
INAUDIBLE_BAND_DB = 0.1
"""Third octaves that move less are no difference (common practice: the smallest step heard is near 0.5 dB)."""
NAMED_BAND_DB = 0.5
"""From so much on a band is named in the verdict."""
WORTH_DB = 50.0
"""Bands so far under the loudest do not count: noise and dither live there."""


@dataclass(frozen=True)
class Floor:
    """Under which a difference counts as inaudible."""

    residual_lu: float = INAUDIBLE_LU
    third_octave_db: float = INAUDIBLE_BAND_DB
    dither_dbfs: float = DITHER_24_DBFS

    def holds(self, residual_lu: float, loudest_lu: float, loudest_dbfs: float, bands_db: float) -> bool:
        """Is it inaudible? Under the dither of the files, or far under the mix with all bands in place; at any time.

        `loudest` is of the second (or longer step) in which most differs: a click in a quiet passage is no less
        audible for a long song around it. See `steps_lu`.
        """
        if loudest_dbfs <= self.dither_dbfs:
            return True
        return max(residual_lu, loudest_lu) <= self.residual_lu and bands_db <= self.third_octave_db


def dither_dbfs(encoding: str) -> float:
    """The floor of a file's own dither: a file of 16 bits with another seed is the same mix."""
    return DITHER_24_DBFS + (SHORTER_DB if encoding == "PCM_16" else 0.0)


def steps_lu(apart: Sequence[float] | Array, whole: Sequence[float] | Array) -> Array:
    """The residual of each step of time in LU against the mix: against its mean, or that step where it is louder.

    Both are energies of the same steps.
    """
    left, mix = np.asarray(apart, dtype=np.float64), np.asarray(whole, dtype=np.float64)
    against = np.maximum(mix, mix.mean()) if mix.size else mix
    return np.array([power_ratio_db(float(a), float(b)) for a, b in zip(left, against, strict=True)])
