"""Bells and shelves that follow their analog shape up to the top octave.

A bilinear design squeezes its response towards the Nyquist frequency: a bell at 16 kHz is several dB off at 44.1 kHz.
Here the magnitude of the analog prototype (Audio EQ Cookbook, W3C Note of 8 June 2021) is fitted by two sections:

* the prototype's poles are mapped by impulse invariance (z = e^(sT), as in M. Vicanek, "Matched Second Order Digital
  Filters", 2016), and two real poles near z = -1 shape the top;
* with phi = sin^2(w / 2) the squared magnitude of the numerator is a polynomial of degree 4 in phi, found by
  least squares, reweighted towards the largest error; its roots give the zeros, all inside the unit circle.

The fit is made for a boost (for a high shelf: its cut, whose poles are lower); the opposite gain is the inverse filter,
so a boost and an equal cut cancel exactly. tests/dsp holds the deviations below 0.02 dB
up to 0.9 of the Nyquist frequency for +-12 dB at up to 16 kHz. `python -m tests.bench eq_shape` prints the worst.
"""

from __future__ import annotations

import math

import numpy as np

from chainrun.dsp import biquad
from chainrun.dsp.arrays import Array

TOP_POLES = ((-0.8, -0.3), (-0.7, -0.2), (-0.8, -0.4), (-0.9, -0.5), (-0.6, -0.1))
GOOD_ENOUGH_DB = 0.01
"""A plain bilinear design this close to its prototype is used: one section in place of two."""

ROUNDS = 4


def analog_magnitude(kind: str, freq_hz: Array, centre_hz: float, gain_db: float, q: float) -> Array:
    """|H| of the Cookbook's prototype, same shape as `freq_hz`; kind is bell, low_shelf or high_shelf."""
    a = 10.0 ** (gain_db / 40.0)
    s = 1j * freq_hz / centre_hz
    slope = math.sqrt(a) / q
    if kind == "bell":
        h = (s * s + s * (a / q) + 1.0) / (s * s + s / (a * q) + 1.0)
    elif kind == "low_shelf":
        h = a * (s * s + slope * s + a) / (a * s * s + slope * s + 1.0)
    else:
        h = a * (a * s * s + slope * s + 1.0) / (s * s + slope * s + a)
    magnitude: Array = np.abs(h)
    return magnitude


def matched(kind: str, freq_hz: float, gain_db: float, q: float, rate_hz: float) -> Array:
    """Sections of a bell or shelf with the analog magnitude, shape (1 or 2, 6); kind as in `analog_magnitude`."""
    bilinear = {"bell": biquad.bell, "low_shelf": biquad.low_shelf, "high_shelf": biquad.high_shelf}
    plain = bilinear[kind](freq_hz, gain_db, q, rate_hz)[None, :]
    grid = _grid(rate_hz)
    inner = grid[grid <= 0.45 * rate_hz]
    wanted = analog_magnitude(kind, inner, freq_hz, gain_db, q)
    got = np.abs(biquad.response(plain, inner, rate_hz))
    if np.abs(20.0 * np.log10(got / wanted)).max() <= GOOD_ENOUGH_DB:
        return plain
    sections = _fit(kind, freq_hz, abs(gain_db), q, rate_hz=rate_hz, grid=grid)
    if sections is None:  # not seen in the ranges of eq (tests); the bilinear design always exists
        return plain
    fitted_is_boost = kind != "high_shelf"
    return sections if (gain_db > 0.0) == fitted_is_boost else _inverse(sections)


def _grid(rate_hz: float) -> Array:
    half = rate_hz / 2.0
    return np.concatenate([np.geomspace(half * 4e-4, half * 0.9, 300), np.linspace(0.9, 1.0, 25) * half])


def _fit(kind: str, freq_hz: float, gain_db: float, q: float, *, rate_hz: float, grid: Array) -> Array | None:
    a = 10.0 ** (gain_db / 40.0)
    w0 = 2.0 * math.pi * freq_hz / rate_hz
    poles = _matched_poles(w0, a * q) if kind == "bell" else _matched_poles(w0 / math.sqrt(a), q)
    target = analog_magnitude(kind, grid, freq_hz, gain_db if kind != "high_shelf" else -gain_db, q)
    phi = np.sin(np.pi * grid / rate_hz) ** 2
    z = np.exp(-2j * np.pi * grid / rate_hz)
    inner = grid <= 0.45 * rate_hz
    weight = np.where(inner, 1.0, 0.15)
    best: tuple[float, Array, Array] | None = None
    for top in TOP_POLES:
        extra = np.array([1.0, -top[0] - top[1], top[0] * top[1]])
        below = np.abs(np.polyval(np.convolve(poles, extra)[::-1], z)) ** 2
        matrix = np.stack([phi**k for k in range(5)], axis=1) / (below * target**2)[:, None]
        now = weight.copy()
        for _ in range(ROUNDS):
            c = np.asarray(np.linalg.lstsq(matrix * now[:, None], now, rcond=None)[0], dtype=np.float64)
            error = np.abs(matrix @ c - 1.0) * weight
            now *= np.sqrt(0.2 + error / max(float(error.max()), 1e-300))
        if np.polynomial.polynomial.polyval(np.linspace(0.0, 1.0, 1500), c).min() <= 0.0:
            continue
        worst = float(np.abs(10.0 * np.log10(matrix @ c))[inner].max())
        if best is None or worst < best[0]:
            best = (worst, c, extra)
    if best is None:
        return None
    _, c, extra = best
    return _sections(c, poles, extra)


def _matched_poles(w0: float, q: float) -> Array:
    """Denominator (1, a1, a2) whose poles are those of s^2 + s/q + 1 at w0, mapped by z = e^(sT)."""
    damping = 1.0 / (2.0 * q)
    if damping <= 1.0:
        radius = math.exp(-damping * w0)
        return np.array([1.0, -2.0 * radius * math.cos(math.sqrt(1.0 - damping**2) * w0), radius**2])
    spread = math.sqrt(damping**2 - 1.0)
    slow, fast = math.exp(-(damping - spread) * w0), math.exp(-(damping + spread) * w0)
    return np.array([1.0, -(slow + fast), slow * fast])


def _sections(c: Array, poles: Array, extra: Array) -> Array:
    """Build two sections from the numerator's polynomial in phi and the two denominators."""
    roots = np.polynomial.polynomial.polyroots(c).astype(np.complex128)
    # phi = (2 - z - 1/z) / 4: each root in phi is a pair z, 1/z; the one inside the unit circle is taken.
    half = 1.0 - 2.0 * roots
    shift = np.sqrt(half * half - 1.0)
    zeros = np.where(np.abs(half - shift) < np.abs(half + shift), half - shift, half + shift)
    pairs = _real_pairs(zeros)
    # The zeros nearest to the prototype's poles share a section with them.
    pole = np.roots(poles)[0]
    pairs.sort(key=lambda pair: min(abs(np.roots(pair) - pole)))
    b = np.array(pairs)
    a = np.array([poles, extra])
    level = math.sqrt(max(float(c[0]), 1e-300)) * math.copysign(1.0, float(np.prod(b.sum(axis=1))))
    b[0] *= level / float(np.prod(b.sum(axis=1)))
    return np.concatenate([b, a], axis=1)


def _real_pairs(zeros: np.ndarray) -> list[Array]:
    """Two quadratics with real coefficients that have these zeros; real zeros are paired."""
    pairs: list[Array] = []
    real: list[float] = []
    for zero in zeros:
        if abs(zero.imag) < 1e-12:
            real.append(float(zero.real))
        elif zero.imag > 0.0:
            pairs.append(np.array([1.0, -2.0 * zero.real, abs(zero) ** 2]))
    real.sort()
    while real:
        first = real.pop()
        second = real.pop() if real else 0.0
        pairs.append(np.array([1.0, -(first + second), first * second]))
    while len(pairs) < 2:
        pairs.append(np.array([1.0, 0.0, 0.0]))
    return pairs


def _inverse(sections: Array) -> Array:
    """Inverse of a minimum-phase filter."""
    turned = np.concatenate([sections[:, 3:], sections[:, :3]], axis=1)
    scaled: Array = turned / turned[:, 3:4]
    return scaled
