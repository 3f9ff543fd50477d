"""Decay time that each octave of a room can have, given that an octave filter also passes its neighbours.

ISO 3382 measures a decay through octave filters, whose skirts pass a part of the next octaves. If those decay much more
slowly, they dominate the late part of the octave. `expected` computes this from the energies alone: band b has the
share W of an octave's energy and falls by 60 dB in T, so the remaining energy after t is the sum of
W T exp(-6 ln(10) t / T) (Schroeder, JASA 37, 1965, for a sum of exponentials).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from chainrun.dsp.arrays import Array

OCTAVES_HZ = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
LEVELS_DB = (0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0)
MAX_PULL = 0.12
"""Octaves expected to decay within this share of the request are corrected to it; others keep the expected decay."""
FILTER_ORDER = 4
DECAY_60_DB = 6.0 * math.log(10.0)
"""Natural logarithm of the energy ratio of 60 dB."""


@dataclass(frozen=True)
class OctaveDecay:
    """Requested and expected decay of one octave: decay times in seconds, and levels in dB over time."""

    asked_s: float
    t20_s: float
    t30_s: float
    times_s: Array
    """Times at which a straight decay has fallen by LEVELS_DB, and 1.5 times the decay."""
    levels_db: Array
    """Fall of the remaining energy at those times."""

    @property
    def is_asked(self) -> bool:
        """Whether the octave decays as requested."""
        return max(abs(self.t20_s / self.asked_s - 1.0), abs(self.t30_s / self.asked_s - 1.0)) <= 1e-9


def band_mask(band: int, octave: Array) -> Array:
    """Amplitude of a band of the tail at frequencies given in octaves above 63 Hz; same shape as `octave`.

    Neighbours cross over at equal power, over a third of an octave; the first and the last band extend to the end.
    """
    rise = np.clip((octave - (band - 0.5)) * 3.0 + 0.5, 0.0, 1.0) if band else np.ones(octave.shape)
    last = len(OCTAVES_HZ) - 1
    fall = np.clip(((band + 0.5) - octave) * 3.0 + 0.5, 0.0, 1.0) if band < last else np.ones(octave.shape)
    mask: Array = np.sin(np.pi / 2.0 * np.minimum(rise, fall))
    return mask


def expected(decay_s: Sequence[float]) -> list[OctaveDecay]:
    """Expected T20 and T30 of the eight octaves from 63 Hz to 8 kHz for requested decays of `decay_s` seconds."""
    freqs = OCTAVES_HZ[0] * 2.0 ** np.linspace(-2.0, 8.5, 1261)
    octave = np.log2(freqs / OCTAVES_HZ[0])
    bands = [band_mask(band, octave) ** 2 * freqs for band in range(len(OCTAVES_HZ))]  # times the width of a point
    decays = np.asarray(decay_s, dtype=float)
    found = []
    for centre, asked in zip(OCTAVES_HZ, decays, strict=True):
        # |H|^2 of a Butterworth band-pass around the octave, from its analog prototype.
        bent = (freqs**2 - centre**2) / (freqs * centre * (math.sqrt(2.0) - math.sqrt(0.5)))
        passed = 1.0 / (1.0 + bent ** (2 * FILTER_ORDER))
        energies = np.array([float(band @ passed) for band in bands]) * decays
        found.append(_octave(float(asked), energies / energies.sum(), decays))
    return found


def _octave(asked: float, energies: Array, decays: Array) -> OctaveDecay:
    def level(t: Array) -> Array:
        fallen: Array = -10.0 * np.log10(energies @ np.exp(-DECAY_60_DB * t / decays[:, None]) + 1e-30)
        return fallen

    straight = np.array([asked * one / 60.0 for one in LEVELS_DB] + [1.5 * asked])
    t = np.linspace(0.0, float(decays.max()), 2000)
    curve = level(t)
    t20, t30 = (_fitted(t, curve, low) for low in (25.0, 35.0))
    if max(abs(t20 / asked - 1.0), abs(t30 / asked - 1.0)) <= MAX_PULL:
        return OctaveDecay(asked, asked, asked, straight, np.array([*LEVELS_DB, 90.0]))
    times = np.array([t30 * one / 60.0 for one in LEVELS_DB] + [1.5 * t30])
    return OctaveDecay(asked, t20, t30, times, level(times))


def _fitted(t: Array, level_db: Array, low_db: float) -> float:
    """Decay time in seconds, from a line through the level between 5 and `low_db` dB down."""
    part = (level_db >= 5.0) & (level_db <= low_db)
    x = t[part] - t[part].mean()
    return 60.0 * float(x @ x) / float(x @ level_db[part])
