"""Impulses and decay times: how long a response rings, by Schroeder's backward integration."""

from __future__ import annotations

import numpy as np
from scipy import signal

from tests.steps import RATE


def impulse(n, channels=1):
    """n frames, the first of them 1 and the others 0."""
    x = np.zeros((channels, n))
    x[:, 0] = 1.0
    return x


def decay_times(response, freq_hz, rate=RATE):
    """T20 and T30 of an octave band by Schroeder's backward integration (ISO 3382-1: fits from -5 to -25, -35 dB)."""
    band = signal.butter(
        4, [freq_hz / np.sqrt(2), min(freq_hz * np.sqrt(2), 0.45 * rate)], "bandpass", fs=rate, output="sos"
    )
    # Backwards in time, so that the filter's own ringing does not lengthen the decay.
    filtered = signal.sosfilt(band, response[::-1])[::-1]
    energy = np.cumsum(filtered[::-1] ** 2)[::-1]
    level = 10 * np.log10(energy / energy[0] + 1e-30)
    t = np.arange(level.size) / rate
    found = []
    for low in (-25, -35):
        part = (level <= -5) & (level >= low)
        slope = np.polyfit(t[part], level[part], 1)[0]
        found.append(-60 / slope)
    return found
