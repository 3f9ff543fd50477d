"""Energy that a filter leaves of pink noise: the same energy in every octave from 20 Hz to 20 kHz.

Pink noise has a power spectrum of 1 / f: equal energy per octave (International Electrotechnical Vocabulary, "pink
noise"). The band is that of hearing, 20 Hz to 20 kHz (common practice), or up to half the rate if that is lower.
"""

from __future__ import annotations

import numpy as np

from chainrun.dsp.arrays import Array

LOW_HZ, HIGH_HZ = 20.0, 20_000.0


def pink_energy(impulse_responses: Array, rate_hz: int) -> float:
    """Energy of pink noise after the responses, shape (n_outputs, n_frames), all outputs summed; 1 before them."""
    n = 1 << max(2 * impulse_responses.shape[1], rate_hz // 2).bit_length()
    power = np.sum(np.abs(np.fft.rfft(impulse_responses, n)) ** 2, axis=0)
    # Each bin stands for the octaves from half a bin below it to half a bin above, inside the band.
    edges_hz = (np.arange(power.size + 1) - 0.5) * rate_hz / n
    octaves = np.log2(np.clip(edges_hz, LOW_HZ, min(HIGH_HZ, rate_hz / 2.0)))
    return float(power @ np.diff(octaves)) / float(octaves[-1] - octaves[0])
