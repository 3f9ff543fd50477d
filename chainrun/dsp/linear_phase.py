"""Linear-phase filters: magnitudes as one symmetric FIR or a matrix of them; half of the ringing comes early.

The FIR is as long as its sharpest bend needs: half lengths from 85 ms to 1.4 s are tried, each with a window that is
flat in its middle, until the response is within 1 % of the wanted magnitude (or of a tenth of the largest magnitude,
where it is below that). A window rounds off the tip of a narrow bell or notch; a cosine under the same window, one per
centre, then corrects the response at the centres.
"""

from __future__ import annotations

import numpy as np

from chainrun.dsp.arrays import Array
from chainrun.dsp.convolution import Convolver

SECONDS = (0.085, 0.17, 0.34, 0.68, 1.36)
GRID_SECONDS = 4.0
TOLERANCE = 0.01


def grid_size(rate_hz: int) -> int:
    """Points of the transform; magnitudes are given at `grid_size // 2 + 1` points from 0 to the Nyquist frequency."""
    return 1 << int(GRID_SECONDS * rate_hz).bit_length()


Centres = tuple[Array, Array]
"""Frequencies in Hz, shape (n_centres,), and the wanted magnitudes there, shape (..., n_centres)."""


def symmetric_taps(magnitudes: Array, rate_hz: int, centres: Centres | None = None) -> Array:
    """Taps of odd length, symmetric to the last bit, for real responses of shape (..., grid_size // 2 + 1).

    At the centres the response is exact up to rounding.
    """
    n = grid_size(rate_hz)
    impulses = np.fft.irfft(magnitudes, n)
    size = np.abs(magnitudes)
    allowed = TOLERANCE * np.maximum(size, 0.1 * max(1.0, float(size.max(initial=0.0))))
    half = 0
    for seconds in SECONDS:
        half = int(seconds * rate_hz) // 64 * 64
        window = 1.0 - (1.0 - np.hanning(2 * half + 3)[half + 1 : -1]) ** 2
        right = impulses[..., : half + 1] * window
        if centres is not None and centres[0].size:
            right += _at_centres(right, window, rate_hz, centres)
        wound = np.zeros_like(impulses)
        wound[..., : half + 1] = right
        wound[..., -half:] = right[..., :0:-1]
        if bool((np.abs(np.fft.rfft(wound).real - magnitudes) <= allowed).all()):
            break
    return np.concatenate([right[..., :0:-1], right], axis=-1)


def _at_centres(right: Array, window: Array, rate_hz: int, centres: Centres) -> Array:
    """Correction of the right halves of the taps that sets the response at the centres."""
    freqs, wanted = centres
    waves = np.cos(2.0 * np.pi / rate_hz * np.outer(freqs, np.arange(window.size)))
    doubled = 2.0 * waves
    doubled[:, 0] = 1.0  # response at the centres = right halves @ doubled.T
    missing = wanted.reshape(-1, freqs.size) - right.reshape(-1, window.size) @ doubled.T
    pulses = waves * window
    weights = np.linalg.lstsq((pulses @ doubled.T).T, missing.T, rcond=1e-3)[0]
    added: Array = (weights.T @ pulses).reshape(right.shape)
    return added


class LinearPhase:
    """Runs channels through a matrix of symmetric FIRs: output i is the sum over j of taps[i, j] on input j."""

    def __init__(self, magnitudes: Array, rate_hz: int, centres: Centres | None = None):
        """`magnitudes`: real responses of shape (n, n, grid_size // 2 + 1), n channels; see `symmetric_taps`."""
        n = magnitudes.shape[0]
        taps = symmetric_taps(magnitudes, rate_hz, centres)
        self.half_frames = taps.shape[-1] // 2
        # For each input: the outputs it reaches, and the convolver to them.
        self._routes: list[tuple[list[int], Convolver]] = []
        for j in range(n):
            reached = [i for i in range(n) if i == j or np.abs(magnitudes[i, j]).max() > 1e-12]
            self._routes.append((reached, Convolver(taps[reached, j])))
        self.latency_frames = self.half_frames + self._routes[0][1].latency_frames

    def run(self, x: Array) -> Array:
        """Filter a block of shape (n_channels, n_frames); the output is `latency_frames` late."""
        y = np.zeros_like(x)
        for (reached, convolver), row in zip(self._routes, x, strict=True):
            y[reached] += convolver.run(row)
        return y
