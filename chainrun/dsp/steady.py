"""Steady waves in a signal, and the settled state of a cascade that has always heard them.

A filter that starts from silence takes time to settle: a notch 1 Hz wide needs a second before it cancels. If a wave
sounds from the first frame on, the filter can start in the settled state.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from chainrun.dsp.arrays import Array
from chainrun.dsp.biquad import response

Phasors = NDArray[np.complex128]
WINDOWS = 16
ALIKE = 0.35
"""Windows agree if their phasors differ by at most this share of one of them."""
MIN_WINDOWS = 6
"""Minimum number of windows that must agree for a wave to count as steady."""


def steady_waves(x: Array, freqs_hz: Array, rate_hz: int) -> Phasors:
    """Phasors P of the waves Re(P exp(i w n)), n = 0 at the first frame, shape (n_channels, n_freqs); 0: not steady.

    All waves are fitted together in each of 16 windows, by least squares. The mean over the largest set of windows that
    agree gives the wave, so a hit that sounds in a few windows does not count. If too few agree, the wave is not
    steady. If the windows are too short to separate the frequencies, none is.
    """
    n = x.shape[1] // WINDOWS
    if n * np.min(np.diff(np.concatenate([[0.0], freqs_hz]))) < 2 * rate_hz:
        return np.zeros((x.shape[0], freqs_hz.size), dtype=np.complex128)
    angles = 2.0 * np.pi / rate_hz * np.outer(np.arange(n), freqs_hz)
    solve = np.linalg.pinv(np.concatenate([np.cos(angles), -np.sin(angles)], axis=1))
    windows = x[:, : n * WINDOWS].reshape(x.shape[0], WINDOWS, n) @ solve.T
    found = windows[..., : freqs_hz.size] + 1j * windows[..., freqs_hz.size :]
    found = found * np.exp(-2j * np.pi / rate_hz * n * np.outer(np.arange(WINDOWS), freqs_hz))
    apart = np.abs(found[:, :, None] - found[:, None, :])  # channel, window, other window, frequency
    near = apart <= ALIKE * np.abs(found[:, :, None])
    crowd = np.take_along_axis(near, near.sum(axis=2).argmax(axis=1)[:, None, None], axis=1)[:, 0]
    count = crowd.sum(axis=1)
    mean = np.where(crowd, found, 0.0).sum(axis=1) / np.maximum(1, count)
    waves: Phasors = np.where(count >= MIN_WINDOWS, mean, 0.0)
    return waves


def settled_state(sections: Array, freqs_hz: Array, phasors: Phasors, rate_hz: int) -> Array:
    """State of a cascade before frame 0 as if the waves had always sounded, shape (n_channels, 2 * n_sections).

    The states are those of the transposed direct form II, as in scipy.signal.sosfilt.
    """
    back = np.exp(-2j * np.pi * freqs_hz / rate_hz)
    state = np.zeros((phasors.shape[0], 2 * len(sections)))
    x = phasors * back  # at frame -1
    for k, section in enumerate(sections):
        y = x * response(section[None], freqs_hz, rate_hz)
        second = section[2] * x - section[5] * y
        first = section[1] * x - section[4] * y + second * back
        state[:, 2 * k], state[:, 2 * k + 1] = first.real.sum(axis=1), second.real.sum(axis=1)
        x = y
    return state
