"""A cascade's magnitude as a symmetric FIR: no phase, and half of the ringing before the event."""

from __future__ import annotations

import numpy as np

from chainrun.dsp.arrays import Array
from chainrun.dsp.biquad import response
from chainrun.dsp.convolution import Convolver

SECONDS = 0.17


def symmetric_taps(sections: Array | None, rate_hz: int) -> Array:
    """Taps of odd length, symmetric to the last bit, with the cascade's magnitude; a single 1 for None."""
    half = (int(SECONDS * rate_hz) // 2 // 64) * 64
    if sections is None:
        taps = np.zeros(2 * half + 1)
        taps[half] = 1.0
        return taps
    n = 1 << (4 * half).bit_length()
    freqs = np.arange(n // 2 + 1) * (rate_hz / n)
    magnitude = np.abs(response(sections, freqs, rate_hz))
    impulse = np.fft.irfft(magnitude, n)
    right = impulse[: half + 1] * np.hanning(2 * half + 3)[half + 1 : -1]
    return np.concatenate([right[:0:-1], right])


class LinearPhase:
    """Runs one channel through such an FIR."""

    def __init__(self, sections: Array | None, rate_hz: int):
        taps = symmetric_taps(sections, rate_hz)
        self.half_frames = taps.size // 2
        self._convolver = Convolver(taps[None, :])
        self.latency_frames = self.half_frames + self._convolver.latency_frames

    def run(self, x: Array) -> Array:
        """A block of shape (n_frames,), late by `latency_frames`."""
        out: Array = self._convolver.run(x)[0]
        return out
