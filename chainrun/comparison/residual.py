"""The K-weighted residual of two sounds: energy of their difference relative to the energy of one of them."""

from __future__ import annotations

import numpy as np
from scipy.signal import sosfilt

from chainrun.comparison.limits import steps_lu
from chainrun.dsp.arrays import Array
from chainrun.dsp.cascade import Cascade
from chainrun.loudness.k_weighting import k_weighting
from chainrun.units import SILENCE_DB, power_ratio_db

MIN_LU = -150.0
"""Lower bound of residuals that are stored and compared: identical sounds have no finite residual."""


def k_weighted(x: Array, rate_hz: int) -> Array:
    """A whole signal of shape (n_channels, n_frames), K-weighted (ITU-R BS.1770)."""
    return np.asarray(sosfilt(k_weighting(rate_hz), x))


def matching_gain(product: float, energy: float) -> float:
    """The amplitude factor on B that minimises the residual against A; 0 if they have nothing in common.

    `product` is the sum of A times B, `energy` the sum of B squared.
    """
    return product / energy if energy > 0.0 and product > 0.0 else 0.0


def residual_lu(left: float, whole: float, *, minimum: float = SILENCE_DB) -> float:
    """The ratio of two K-weighted energies, residual to whole, in LU, and at least `minimum`."""
    return max(minimum, power_ratio_db(left, whole))


class ResidualMeter:
    """Measures a residual block by block; each block is a time step."""

    def __init__(self, rate_hz: int, n_channels: int):
        self._weighting = Cascade(k_weighting(rate_hz))
        self._states = [self._weighting.start_state(n_channels) for _ in range(2)]
        self._apart: list[float] = []
        self._whole: list[float] = []

    def feed(self, apart: Array, whole: Array) -> None:
        """Add a step: the difference and the original sound, both of shape (n_channels, n_frames)."""
        for k, (x, energies) in enumerate(((apart, self._apart), (whole, self._whole))):
            weighted, self._states[k] = self._weighting.run(np.ascontiguousarray(x), self._states[k])
            energies.append(float(np.sum(weighted**2)))

    def lu(self) -> float:
        """The residual of all steps in LU against the whole sound; minus infinity if nothing differs."""
        return power_ratio_db(sum(self._apart), sum(self._whole))

    def by_step_lu(self) -> tuple[float, ...]:
        """The residual of each step in LU, against the sound's mean or that step of it, whichever is louder."""
        return tuple(steps_lu(self._apart, self._whole).tolist())
