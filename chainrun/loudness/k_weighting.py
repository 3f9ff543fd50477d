"""The K-weighting filter of ITU-R BS.1770-5 Annex 1, for any rate.

The standard prints coefficients for 48 kHz (Tables 1 and 2) and asks other rates for "the same frequency
response". The analog prototype behind the printed sets: a shelf of 3.99984 dB at 1681.97 Hz with Q 0.70718, and a
high-pass at 38.135 Hz with Q 0.50033 whose numerator 1, -2, 1 leaves +0.0433 dB in the pass band; that gain is
kept at every rate. tests/test_loudness.py compares with the printed coefficients.
"""

from __future__ import annotations

import math

import numpy as np

from chainrun.dsp.arrays import Array

SHELF_HZ, SHELF_DB, SHELF_Q = 1681.974450955533, 3.999843853973347, 0.7071752369554196
SHELF_SLOPE = 0.4996667741545416
HIGH_PASS_HZ, HIGH_PASS_Q = 38.13547087602444, 0.5003270373238773


def k_weighting(rate_hz: int) -> Array:
    """The two sections of the K-weighting at this rate, shape (2, 6)."""
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
