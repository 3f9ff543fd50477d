"""Delay and polarity of the same hits in two microphones.

Generalised cross-correlation (Knapp and Carter, "The generalized correlation method for estimation of time delay",
IEEE Trans. ASSP 24(4), 1976): the cross-spectrum of each hit is divided by a power of its own magnitude, so that all
frequencies count about equally, and the hits are summed. With the full phase transform (power 1) noise counts as much
as the hit; 0.8 was the best of the powers tried. The peak with the largest magnitude is the arrival, its sign the
polarity.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from chainrun.dsp.arrays import Array

WHITENING = 0.8
"""Power of its magnitude by which the cross-spectrum is divided."""
LOW_HZ, HIGH_HZ = 200.0, 8000.0
FINER = 8
"""Steps per frame in the search for the peak; a parabola through three steps refines it."""
AGREE_FRAMES = 4.0
"""Maximum distance from the common peak at which a hit's own peak agrees with it."""


@dataclass(frozen=True)
class Arrival:
    """Arrival at the second microphone relative to the first."""

    delay_frames: float
    inverted: bool
    confidence: float
    """Share of hits (0 … 1) whose own peak is within 4 frames of the common one and has its sign."""
    n_hits: int


def arrival(
    first: Array, second: Array, rate_hz: float, max_frames: int, band_hz: tuple[float, float] = (LOW_HZ, HIGH_HZ)
) -> Arrival | None:
    """Arrival of hits at the second microphone relative to the first; None if no hit sounds in both.

    `first` has shape (n_hits, length); `second` has `max_frames` more at both ends: (n_hits, length + 2 * max_frames).
    """
    sounding = (np.abs(first).max(axis=1, initial=0.0) > 0) & (np.abs(second).max(axis=1, initial=0.0) > 0)
    first, second = first[sounding], second[sounding]
    if not len(first):
        return None
    n = 1 << (second.shape[1] + first.shape[1] - 1).bit_length()
    taper = np.minimum(1.0, np.minimum(np.arange(first.shape[1]) + 1, np.arange(first.shape[1])[::-1] + 1) / 32.0)
    a = np.fft.rfft(first * taper, n)
    b = np.fft.rfft(second, n)
    cross = np.conj(a) * b
    size = np.abs(cross)
    freqs = np.fft.rfftfreq(n, 1.0 / rate_hz)
    low, high = band_hz
    mask = np.clip((freqs - low) / (0.2 * low) + 0.5, 0.0, 1.0) * np.clip((high - freqs) / (0.1 * high) + 0.5, 0.0, 1.0)
    floor = 1e-12 * size.max(axis=1, keepdims=True) + 1e-300
    white = cross / np.maximum(size, floor) ** WHITENING * mask
    # All hits count equally.
    white /= np.sqrt(np.sum(np.abs(white) ** 2, axis=1, keepdims=True)) + 1e-300
    lags = 2 * max_frames + 1
    each = np.fft.irfft(white, n)[:, :lags]
    fine = np.fft.irfft(white.sum(axis=0), n * FINER)[: (lags - 1) * FINER + 1]
    at = int(np.abs(fine).argmax())
    sign = float(np.sign(fine[at]))
    place = float(at)
    if 0 < at < fine.size - 1:
        left, middle, right = sign * fine[at - 1 : at + 2]
        bend = left - 2.0 * middle + right
        place += 0.5 * (left - right) / bend if bend < 0.0 else 0.0
    delay = place / FINER
    own = np.abs(each).argmax(axis=1)
    signs = np.sign(each[np.arange(len(each)), own])
    agree = (np.abs(own - delay) <= AGREE_FRAMES) & (signs == sign)
    return Arrival(delay - max_frames, sign < 0.0, float(agree.mean()), len(first))
