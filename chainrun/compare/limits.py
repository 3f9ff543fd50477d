"""From where on a difference counts: defaults, each with its reason."""

from __future__ import annotations

from dataclasses import dataclass

DITHER_24_DBFS = -136.0
"""Rounding and triangular dither of 24 bits are 2^-23 / 2 as RMS, -144.5 dBFS; two such files differ by up to 6 dB more
in two channels' sum, and 2.5 dB are left as a margin."""
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

    def holds(self, residual_lu: float, residual_dbfs: float, bands_db: float) -> bool:
        """Is it inaudible? Under the dither of 24 bits, or far under the mix with all bands in place."""
        if residual_dbfs <= DITHER_24_DBFS:
            return True
        return residual_lu <= self.residual_lu and bands_db <= self.third_octave_db
