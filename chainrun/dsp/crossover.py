"""Linkwitz-Riley crossovers: bands whose plain sum is an all-pass.

A leg of order 2n is two Butterworth filters of order n in series (S. H. Linkwitz, JAES 24(1), 1976): -6.02 dB at the
crossover, both legs in phase for even n. Low plus high is the all-pass whose poles are those of one of the Butterworth
filters. With several crossovers each lower band also passes the all-passes of the crossovers above it, so that all
bands have the same phase.
"""

from __future__ import annotations

import numpy as np

from chainrun.dsp.arrays import Array
from chainrun.dsp.biquad import all_pass, butterworth, butterworth_q


def legs(freq_hz: float, order: int, rate_hz: float) -> tuple[Array, Array, Array]:
    """Low leg, high leg and the all-pass that equals their sum, as sections of shape (n, 6); order 4 or 8."""
    half = order // 2
    low = butterworth(half, freq_hz, rate_hz, high=False)
    high = butterworth(half, freq_hz, rate_hz, high=True)
    turn = np.array([all_pass(freq_hz, q, rate_hz) for q in butterworth_q(half)])
    return np.concatenate([low, low]), np.concatenate([high, high]), turn


def band_sections(crossovers_hz: list[float], order: int, rate_hz: float) -> list[Array]:
    """Sections of each of the len(crossovers_hz) + 1 bands, lowest first."""
    parts = [legs(freq_hz, order, rate_hz) for freq_hz in crossovers_hz]
    bands = []
    for band in range(len(parts) + 1):
        chosen = [high for _, high, _ in parts[:band]]
        if band < len(parts):
            chosen.append(parts[band][0])
        chosen += [turn for _, _, turn in parts[band + 1 :]]
        bands.append(np.concatenate(chosen))
    return bands
