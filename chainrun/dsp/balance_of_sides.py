"""Filters that make left and right of a response equally loud in each third octave, for a source in the middle.

Two noises with the same statistics differ by chance: by several dB in a third octave whose width times the decay is
small. Each side gets a minimum-phase filter of half the difference, so that neither bears the whole correction.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from chainrun.dsp.arrays import Array

THIRDS_HZ = 1000.0 * 10.0 ** (np.arange(-17, 14) / 10.0)
"""Exact centres of the third octaves from 20 Hz to 20 kHz (IEC 61260-1:2014, base ten)."""
HIGHER_HZ = 1000.0 * 10.0 ** (np.arange(14, 20) / 10.0)
"""Centres above those, up to 80 kHz: inaudible, but at high rates they count in the overall balance."""
TOLERANCE_DB = 0.1
MAX_ROUNDS = 30
MAX_DB = 12.0
"""Maximum difference between the sides that is corrected."""


def _centres_hz(rate_hz: int) -> Array:
    """Centres of the third octaves up to 20 kHz, and of higher ones that end below half the rate."""
    centres: Array = np.concatenate([THIRDS_HZ, HIGHER_HZ[rate_hz / 2 >= HIGHER_HZ * 10.0**0.05]])
    return centres


def third_octave_energies(impulse_responses: Array, rate_hz: int) -> Array:
    """Energy in each third octave, shape (n_rows, n_thirds); zero in those above half the rate."""
    n = 1 << (4 * impulse_responses.shape[1] - 1).bit_length()
    power = np.abs(np.fft.rfft(impulse_responses, n)) ** 2
    centres = _centres_hz(rate_hz)
    edges = np.append(centres * 10.0**-0.05, centres[-1] * 10.0**0.05) * n / rate_hz
    bins = np.minimum(np.rint(edges).astype(int), power.shape[1])
    sums = np.concatenate([np.zeros((impulse_responses.shape[0], 1)), np.cumsum(power, axis=1)], axis=1)
    found: Array = np.maximum(np.diff(sums[:, bins], axis=1), 0.0)
    return found


def balancing_filters(impulse_responses: Sequence[Array], rate_hz: int) -> Array | None:
    """Spectra of two filters, left and right, that make the sum of the responses equally loud on both sides.

    Takes one response of shape (2, n_frames) per input, all of the same length. None if both sides are identical.
    """
    middle = np.sum(impulse_responses, axis=0)
    if np.array_equal(middle[0], middle[1]):
        return None
    n = middle.shape[1]
    size = _size(n)
    spectra = np.fft.rfft(middle, size)
    difference = np.zeros(_centres_hz(rate_hz).size)
    filters = np.ones((2, size // 2 + 1), dtype=complex)
    for _ in range(MAX_ROUNDS):
        energies = third_octave_energies(np.fft.irfft(spectra * filters, size)[:, :n], rate_hz)
        sounding = energies.min(axis=0) > 1e-12 * energies.max()
        left_over = np.zeros(difference.size)
        left_over[sounding] = 10.0 * np.log10(energies[0, sounding] / energies[1, sounding])
        if np.abs(left_over).max() < TOLERANCE_DB:
            break
        difference = np.clip(difference + left_over, -MAX_DB, MAX_DB)
        filters = np.stack([_minimum_phase(sign * difference / 2.0, size, rate_hz) for sign in (-1.0, 1.0)])
    return filters


def filtered(x: Array, filters: Array) -> Array:
    """Passes left and right through their filters; shape (…, 2, n_frames)."""
    n = x.shape[-1]
    size = _size(n)
    made: Array = np.fft.irfft(np.fft.rfft(x, size) * filters, size)[..., :n]
    return made


def _size(n: int) -> int:
    return 1 << (2 * n - 1).bit_length()


def _minimum_phase(gains_db: Array, size: int, rate_hz: int) -> Array:
    """Spectrum of a minimum-phase filter with these gains at the third octaves, linear in dB between them."""
    freqs = np.maximum(np.fft.rfftfreq(size, 1.0 / rate_hz), 1.0)
    log_size = np.interp(np.log(freqs), np.log(_centres_hz(rate_hz)), gains_db) * (np.log(10.0) / 20.0)
    cepstrum = np.fft.irfft(log_size, size)
    cepstrum[1 : size // 2] *= 2.0
    cepstrum[size // 2 + 1 :] = 0.0
    spectrum: Array = np.exp(np.fft.rfft(cepstrum))
    return spectrum
