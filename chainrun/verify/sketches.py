"""How far two sounds lie apart, from what a baseline knows of them: K-weighted residual and third octaves."""

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
"""Standard deviation of one step's residual."""


@dataclass(frozen=True)
class Residual:
    """The K-weighted difference of two sounds, as their sketches have it."""

    lu: float
    """Against what was."""
    loudest_dbfs: float
    """Of the step in which most differs."""
    steps_lu: Array

    def loudest(self) -> tuple[int, float]:
        """The step in which most differs against the mix, and by how much."""
        if not self.steps_lu.size:
            return 0, -math.inf
        at = int(self.steps_lu.argmax())
        return at, float(self.steps_lu[at])

    def first_step_over(self, limit_lu: float) -> int | None:
        """The first step that lies over a limit."""
        return next((i for i, level in enumerate(self.steps_lu) if level > limit_lu), None)

    def uncertainty_db(self) -> float:
        """Standard deviation of the level: chi-squared over the sums, weighed by how loud each step is."""
        powers = 10.0 ** (np.where(np.isfinite(self.steps_lu), self.steps_lu, -300.0) / 10.0)
        total = float(powers.sum())
        degrees = LINES * (total**2 / max(float((powers**2).sum()), 1e-300)) if total > 0.0 else math.inf
        return 10.0 / math.log(10.0) * math.sqrt(2.0 / degrees)

    def likely_lu(self) -> float:
        """What the level may be at most: a sketch has it within some tenths of a dB."""
        return self.lu + 2.0 * self.uncertainty_db()

    def likely_loudest_lu(self) -> float:
        """The same of the loudest step, which a sketch has within 1.5 dB.

        The loudest of many noisy readings of one level lies over it, too: what sticks out little counts less.
        """
        _, loudest = self.loudest()
        return loudest + min(2.0 * STEP_DB, max(0.0, loudest - self.lu - STEP_DB))


def residual(was: SoundFacts, now: SoundFacts) -> Residual:
    """The difference of what is known of two sounds of the same rate and channels."""
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
    """Third octaves that moved, in dB by nominal frequency, where they count."""
    return bands_apart(was.bands_db(), now.bands_db())
