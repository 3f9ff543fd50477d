"""Estimates the difference of two sounds from their facts in baselines: K-weighted residual and third octaves."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from chainrun.comparison.difference import bands_apart
from chainrun.comparison.limits import steps_lu
from chainrun.dsp.arrays import Array
from chainrun.dsp.sketch import LINES, energies_apart
from chainrun.units import power_ratio_db
from chainrun.verify.facts import SoundFacts

STEP_DB = 10.0 / math.log(10.0) * math.sqrt(2.0 / LINES)
"""Standard deviation of the estimated residual of one time step."""


@dataclass(frozen=True)
class Residual:
    """K-weighted residual of two sounds, estimated from their sketches."""

    lu: float
    """Against the former sound."""
    loudest_dbfs: float
    """Level of the residual in its loudest time step."""
    steps_lu: Array

    def loudest(self) -> tuple[int, float]:
        """Index and value in LU of the time step with the largest residual."""
        if not self.steps_lu.size:
            return 0, -math.inf
        at = int(self.steps_lu.argmax())
        return at, float(self.steps_lu[at])

    def first_step_over(self, limit_lu: float) -> int | None:
        """Index of the first time step above a limit."""
        return next((i for i, level in enumerate(self.steps_lu) if level > limit_lu), None)

    def uncertainty_db(self) -> float:
        """Standard deviation of `lu`: chi-squared over the sums, weighted by the power of each step."""
        powers = 10.0 ** (np.where(np.isfinite(self.steps_lu), self.steps_lu, -300.0) / 10.0)
        total = float(powers.sum())
        degrees = LINES * (total**2 / max(float((powers**2).sum()), 1e-300)) if total > 0.0 else math.inf
        return 10.0 / math.log(10.0) * math.sqrt(2.0 / degrees)

    def likely_lu(self) -> float:
        """The upper bound of `lu`, two standard deviations above the estimate."""
        return self.lu + 2.0 * self.uncertainty_db()

    def likely_loudest_lu(self) -> float:
        """The upper bound of the loudest step's residual.

        The largest of many noisy estimates of one level is above that level by chance, so a step that stands out little
        gets less margin.
        """
        _, loudest = self.loudest()
        return loudest + min(2.0 * STEP_DB, max(0.0, loudest - self.lu - STEP_DB))


def residual(was: SoundFacts, now: SoundFacts) -> Residual:
    """Estimate the residual of two sounds of the same rate and number of channels."""
    one, other = was.sums(), now.sums()
    apart, whole = energies_apart(one, other), energies_apart(one, one * 0.0)
    if len(apart) > len(whole):
        whole = np.concatenate([whole, np.zeros(len(apart) - len(whole))])
    of_a_step = was.rate_hz * was.curve_step_s * was.n_channels
    return Residual(
        power_ratio_db(float(apart.sum()), float(whole.sum())),
        power_ratio_db(float(apart.max(initial=0.0)) / of_a_step, 1.0),
        steps_lu(apart, whole),
    )


def third_octaves_apart(was: SoundFacts, now: SoundFacts) -> dict[str, float]:
    """Changes of third octaves in dB by nominal frequency, for the bands that count."""
    return bands_apart(was.bands_db(), now.bands_db())
