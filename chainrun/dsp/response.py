"""What is done to an impulse response before it is convolved with: trimmed, scaled, laid out for two outputs."""

from __future__ import annotations

import math

import numpy as np

from chainrun.dsp.arrays import Array

FLOOR = 10.0 ** (-90.0 / 20.0)


def trimmed(response: Array, *, start: bool) -> Array:
    """Without what lies below -90 dB of the peak at the end, and before the beginning if `start`."""
    level = np.abs(response).max(axis=0)
    heard = np.flatnonzero(level > FLOOR * level.max(initial=0.0))
    if heard.size == 0:
        return response[:, :1]
    return response[:, heard[0] if start else 0 : heard[-1] + 1]


def scaled(response: Array, how: str) -> Array:
    """Scaled to a mean energy of 1 over the channels that sound, or to a peak of 1, or left alone."""
    energies = np.sum(response**2, axis=1)
    if how == "none" or not energies.any():
        return response
    if how == "peak":
        return response * (1.0 / float(np.abs(response).max()))
    return response / math.sqrt(float(energies[energies > 0.0].mean()))


def paths(response: Array, n_inputs: int, centre: float) -> list[Array]:
    """For each input the responses to left and right, shape (2, n_frames).

    Four channels are left-left, left-right, right-left, right-right. Two serve left and right alone; a mono signal
    feeds both. One serves every input alike. A mono signal into a mono response lies in both sides at `centre`.
    """
    nothing = np.zeros_like(response[0])
    if response.shape[0] == 4:
        left, right = response[:2], response[2:]
        return [left, right] if n_inputs == 2 else [(left + right) * centre]
    if response.shape[0] == 2:
        if n_inputs == 1:
            return [response]
        return [np.stack([response[0], nothing]), np.stack([nothing, response[1]])]
    if n_inputs == 1:
        return [np.stack([response[0], response[0]]) * centre]
    return [np.stack([response[0], nothing]), np.stack([nothing, response[0]])]
