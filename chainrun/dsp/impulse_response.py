"""Prepares an impulse response for convolution: trims it, scales it, arranges it for two outputs."""

from __future__ import annotations

import math

import numpy as np

from chainrun.dsp.arrays import Array

FLOOR = 10.0 ** (-90.0 / 20.0)


def trimmed(impulse_response: Array, *, start: bool) -> Array:
    """Cut the end that is more than 90 dB below the peak, and the beginning too if `start`; shape (n_channels, n)."""
    level = np.abs(impulse_response).max(axis=0)
    audible = np.flatnonzero(level > FLOOR * level.max(initial=0.0))
    if audible.size == 0:
        return impulse_response[:, :1]
    return impulse_response[:, audible[0] if start else 0 : audible[-1] + 1]


def scaled(impulse_response: Array, how: str) -> Array:
    """Scale to a peak of 1 ("peak"), not at all ("none"), or else to a mean energy of 1 over non-silent channels."""
    energies = np.sum(impulse_response**2, axis=1)
    if how == "none" or not energies.any():
        return impulse_response
    if how == "peak":
        return impulse_response * (1.0 / float(np.abs(impulse_response).max()))
    return impulse_response / math.sqrt(float(energies[energies > 0.0].mean()))


def paths(impulse_response: Array, n_inputs: int, centre: float) -> list[Array]:
    """Responses from each input to left and right, shape (2, n_frames).

    Four channels are left-left, left-right, right-left, right-right. Two are left-left and right-right; a mono signal
    feeds both. One serves every input. A mono signal with a mono response goes to both sides at the gain `centre`.
    """
    nothing = np.zeros_like(impulse_response[0])
    if impulse_response.shape[0] == 4:
        left, right = impulse_response[:2], impulse_response[2:]
        return [left, right] if n_inputs == 2 else [(left + right) * centre]
    if impulse_response.shape[0] == 2:
        if n_inputs == 1:
            return [impulse_response]
        return [np.stack([impulse_response[0], nothing]), np.stack([nothing, impulse_response[1]])]
    if n_inputs == 1:
        return [np.stack([impulse_response[0], impulse_response[0]]) * centre]
    return [np.stack([impulse_response[0], nothing]), np.stack([nothing, impulse_response[0]])]
