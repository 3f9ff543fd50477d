"""Second-order sections: designs of the Audio EQ Cookbook and Butterworth cuts.

Source of the designs: W3C Working Group Note "Audio EQ Cookbook", 8 June 2021. Cuts of order n are
Butterworth cascades with Q_k = 1 / (2 sin((2k-1) pi / (2n))) (any text on filters, e.g. Zverev, Handbook of
Filter Synthesis, 1967). All are bilinear designs. A section is a row (b0, b1, b2, 1, a1, a2).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from chainrun.dsp.arrays import Array


def _section(b: Sequence[float], a: Sequence[float]) -> Array:
    row = np.array([*b, *a], dtype=np.float64) / a[0]
    row[3] = 1.0
    return row


def _terms(freq_hz: float, q: float, rate_hz: float) -> tuple[float, float]:
    w0 = 2.0 * math.pi * freq_hz / rate_hz
    return math.cos(w0), math.sin(w0) / (2.0 * q)


def _band_terms(freq_hz: float, q: float, rate_hz: float) -> tuple[float, float]:
    """cos(w0), and alpha for a band freq_hz / q hertz wide at any frequency: tan(pi freq_hz / (q rate_hz)).

    An all-pass with this alpha turns the phase by 90 degrees at both edges, pi / 2 apart in tan (Regalia and Mitra,
    "Tunable digital frequency response equalization filters", IEEE Trans. ASSP 35(1), 1987). Bands too wide for the
    rate keep the Cookbook's alpha.
    """
    c, alpha = _terms(freq_hz, q, rate_hz)
    half_width = freq_hz / (q * rate_hz)
    return (c, math.tan(math.pi * half_width)) if half_width < 0.25 else (c, alpha)


def low_pass(freq_hz: float, q: float, rate_hz: float) -> Array:
    """Second-order low-pass; gain q at `freq_hz`. Returns shape (6,)."""
    c, alpha = _terms(freq_hz, q, rate_hz)
    half = (1.0 - c) / 2.0
    return _section([half, 1.0 - c, half], [1.0 + alpha, -2.0 * c, 1.0 - alpha])


def high_pass(freq_hz: float, q: float, rate_hz: float) -> Array:
    """Second-order high-pass; gain q at `freq_hz`. Returns shape (6,)."""
    c, alpha = _terms(freq_hz, q, rate_hz)
    half = (1.0 + c) / 2.0
    return _section([half, -(1.0 + c), half], [1.0 + alpha, -2.0 * c, 1.0 - alpha])


def _passing(c: float, alpha: float) -> Array:
    return _section([alpha, 0.0, -alpha], [1.0 + alpha, -2.0 * c, 1.0 - alpha])


def _stopping(c: float, alpha: float) -> Array:
    return _section([1.0, -2.0 * c, 1.0], [1.0 + alpha, -2.0 * c, 1.0 - alpha])


def band_pass(freq_hz: float, q: float, rate_hz: float) -> Array:
    """Second-order band-pass with 0 dB at `freq_hz`. Returns shape (6,)."""
    return _passing(*_terms(freq_hz, q, rate_hz))


def notch(freq_hz: float, q: float, rate_hz: float) -> Array:
    """Second-order notch: nothing passes at `freq_hz`. Returns shape (6,)."""
    return _stopping(*_terms(freq_hz, q, rate_hz))


def band_pass_of_width(freq_hz: float, q: float, rate_hz: float) -> Array:
    """Second-order band-pass, freq_hz / q hertz wide at -3 dB at any frequency. Returns shape (6,)."""
    return _passing(*_band_terms(freq_hz, q, rate_hz))


def notch_of_width(freq_hz: float, q: float, rate_hz: float) -> Array:
    """Second-order notch, freq_hz / q hertz wide at -3 dB at any frequency. Returns shape (6,)."""
    return _stopping(*_band_terms(freq_hz, q, rate_hz))


def all_pass(freq_hz: float, q: float, rate_hz: float) -> Array:
    """Second-order all-pass: turns the phase by 180 degrees at `freq_hz`. Returns shape (6,)."""
    c, alpha = _terms(freq_hz, q, rate_hz)
    return _section([1.0 - alpha, -2.0 * c, 1.0 + alpha], [1.0 + alpha, -2.0 * c, 1.0 - alpha])


def bell(freq_hz: float, gain_db: float, q: float, rate_hz: float) -> Array:
    """Peaking filter: `gain_db` at `freq_hz`, towards 0 dB away from it. Returns shape (6,)."""
    c, alpha = _terms(freq_hz, q, rate_hz)
    a = math.pow(10.0, gain_db / 40.0)
    return _section([1.0 + alpha * a, -2.0 * c, 1.0 - alpha * a], [1.0 + alpha / a, -2.0 * c, 1.0 - alpha / a])


def low_shelf(freq_hz: float, gain_db: float, q: float, rate_hz: float) -> Array:
    """Shelf with `gain_db` below and half of it at `freq_hz`. Returns shape (6,)."""
    c, alpha = _terms(freq_hz, q, rate_hz)
    a = math.pow(10.0, gain_db / 40.0)
    s = 2.0 * math.sqrt(a) * alpha
    return _section(
        [
            a * ((a + 1.0) - (a - 1.0) * c + s),
            2.0 * a * ((a - 1.0) - (a + 1.0) * c),
            a * ((a + 1.0) - (a - 1.0) * c - s),
        ],
        [
            (a + 1.0) + (a - 1.0) * c + s,
            -2.0 * ((a - 1.0) + (a + 1.0) * c),
            (a + 1.0) + (a - 1.0) * c - s,
        ],
    )


def high_shelf(freq_hz: float, gain_db: float, q: float, rate_hz: float) -> Array:
    """Shelf with `gain_db` above and half of it at `freq_hz`. Returns shape (6,)."""
    c, alpha = _terms(freq_hz, q, rate_hz)
    a = math.pow(10.0, gain_db / 40.0)
    s = 2.0 * math.sqrt(a) * alpha
    return _section(
        [
            a * ((a + 1.0) + (a - 1.0) * c + s),
            -2.0 * a * ((a - 1.0) + (a + 1.0) * c),
            a * ((a + 1.0) + (a - 1.0) * c - s),
        ],
        [
            (a + 1.0) - (a - 1.0) * c + s,
            2.0 * ((a - 1.0) - (a + 1.0) * c),
            (a + 1.0) - (a - 1.0) * c - s,
        ],
    )


def first_order(freq_hz: float, rate_hz: float, *, high: bool) -> Array:
    """First-order low- or high-pass by the bilinear transform, -3.01 dB at `freq_hz`. Returns shape (6,)."""
    k = math.tan(math.pi * freq_hz / rate_hz)
    b = [1.0, -1.0, 0.0] if high else [k, k, 0.0]
    return _section(b, [1.0 + k, k - 1.0, 0.0])


def tilt(freq_hz: float, gain_db: float, rate_hz: float) -> Array:
    """First-order tilt from -gain_db / 2 in the lows to +gain_db / 2 in the highs: H(s) = (a s + 1) / (s + a)."""
    a = math.pow(10.0, gain_db / 40.0)
    k = math.tan(math.pi * freq_hz / rate_hz)
    return _section([a + k, k - a, 0.0], [1.0 + a * k, a * k - 1.0, 0.0])


def butterworth_q(order: int) -> list[float]:
    """The Q of each second-order section of a Butterworth filter of this order."""
    return [1.0 / (2.0 * math.sin((2 * k - 1) * math.pi / (2 * order))) for k in range(1, order // 2 + 1)]


def butterworth(order: int, freq_hz: float, rate_hz: float, *, high: bool) -> Array:
    """Butterworth high- or low-pass as sections, shape (ceil(order / 2), 6); -3.01 dB at `freq_hz`."""
    design = high_pass if high else low_pass
    rows = [design(freq_hz, q, rate_hz) for q in butterworth_q(order)]
    if order % 2:
        rows.append(first_order(freq_hz, rate_hz, high=high))
    return np.array(rows)


def response(sections: Array, freq_hz: ArrayLike, rate_hz: float) -> np.ndarray:
    """Complex response of a cascade, shape (n_sections, 6), at the given frequencies in Hz."""
    z = np.exp(-2j * np.pi * np.asarray(freq_hz, dtype=np.float64) / rate_hz)
    h = np.ones(z.shape, dtype=np.complex128)
    for b0, b1, b2, a0, a1, a2 in np.atleast_2d(sections):
        h *= (b0 + b1 * z + b2 * z * z) / (a0 + a1 * z + a2 * z * z)
    return h
