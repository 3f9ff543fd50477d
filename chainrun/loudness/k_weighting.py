"""K-weighting filter of ITU-R BS.1770-5 Annex 1, for any rate.

The standard prints coefficients for 48 kHz (Tables 1 and 2) and requires "the same frequency response" at other rates.
The analog prototype of the printed sets is a shelf of 3.99984 dB at 1681.97 Hz with Q 0.70718, and a high-pass at
38.135 Hz with Q 0.50033, whose numerator 1, -2, 1 leaves +0.0433 dB in the pass band; that gain is kept at every rate.
At 44.1 kHz and above the bilinear transform keeps the response within 0.01 dB of the one at 48 kHz up to 20 kHz. At
lower rates, where the shelf comes near the Nyquist frequency, its section is fitted (within 0.02 dB at a rate of 8 kHz,
closer at higher rates). tests/loudness compares with the printed coefficients.
"""

from __future__ import annotations

import math

import numpy as np

from chainrun.dsp.arrays import Array

SHELF_HZ, SHELF_DB, SHELF_Q = 1681.974450955533, 3.999843853973347, 0.7071752369554196
SHELF_SLOPE = 0.4996667741545416
HIGH_PASS_HZ, HIGH_PASS_Q = 38.13547087602444, 0.5003270373238773

MIN_BILINEAR_HZ = 44_100
"""Minimum rate at which the plain bilinear transform is accurate enough."""


def k_weighting(rate_hz: int) -> Array:
    """Sections of the K-weighting at this rate, shape (2, 6): shelf, high-pass."""
    sections = _bilinear(rate_hz)
    if rate_hz < MIN_BILINEAR_HZ:
        sections[0] = _fitted_shelf(sections[0], rate_hz)
    return sections


def _fitted_shelf(start: Array, rate_hz: int) -> Array:
    """Shelf fitted to the response at 48 kHz, by least squares in dB up to 0.48 of the rate."""
    from scipy.optimize import least_squares

    freqs = np.geomspace(20.0, 0.48 * rate_hz, 400)
    wanted = _level_db(_bilinear(48_000)[0], freqs, 48_000)

    def off(free: Array) -> Array:
        return _level_db(np.array([*free[:3], 1.0, *free[3:]]), freqs, rate_hz) - wanted

    free = least_squares(off, np.delete(start, 3), xtol=1e-12, ftol=1e-12, gtol=1e-12).x
    return np.array([*free[:3], 1.0, *free[3:]])


def _level_db(section: Array, freqs: Array, rate_hz: int) -> Array:
    z = np.exp(-2j * np.pi * freqs / rate_hz)
    b0, b1, b2, _, a1, a2 = section
    level: Array = 20.0 * np.log10(np.abs((b0 + b1 * z + b2 * z * z) / (1.0 + a1 * z + a2 * z * z)))
    return level


def _bilinear(rate_hz: int) -> Array:
    k = math.tan(math.pi * SHELF_HZ / rate_hz)
    top = 10.0 ** (SHELF_DB / 20.0)
    middle = top**SHELF_SLOPE
    a0 = 1.0 + k / SHELF_Q + k * k
    shelf = [
        (top + middle * k / SHELF_Q + k * k) / a0,
        2.0 * (k * k - top) / a0,
        (top - middle * k / SHELF_Q + k * k) / a0,
        1.0,
        2.0 * (k * k - 1.0) / a0,
        (1.0 - k / SHELF_Q + k * k) / a0,
    ]
    k = math.tan(math.pi * HIGH_PASS_HZ / rate_hz)
    a0 = 1.0 + k / HIGH_PASS_Q + k * k
    k48 = math.tan(math.pi * HIGH_PASS_HZ / 48000.0)
    scale = (1.0 + k48 / HIGH_PASS_Q + k48 * k48) / a0
    high_pass = [
        scale,
        -2.0 * scale,
        scale,
        1.0,
        2.0 * (k * k - 1.0) / a0,
        (1.0 - k / HIGH_PASS_Q + k * k) / a0,
    ]
    return np.array([shelf, high_pass])
