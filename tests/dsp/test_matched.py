"""Matched filters have the shape of their analog prototypes to the top octave."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import chainrun.processors  # noqa: F401
from chainrun.dsp import biquad
from chainrun.dsp.matched import analog_magnitude, matched
from tests.steps import through


def deviation_db(kind, freq, gain, q, rate):
    """Largest deviation from the analog prototype (Audio EQ Cookbook) up to 0.9 of the Nyquist frequency."""
    freqs = np.geomspace(20, 0.45 * rate, 500)
    got = np.abs(biquad.response(matched(kind, freq, gain, q, rate), freqs, rate))
    return np.abs(20 * np.log10(got / analog_magnitude(kind, freqs, freq, gain, q))).max()


@pytest.mark.parametrize("rate", [44100, 48000])
@pytest.mark.parametrize("kind", ["bell", "low_shelf", "high_shelf"])
def test_bells_and_shelves_have_their_analog_shape(kind, rate):
    worst = max(
        (deviation_db(kind, freq, gain, q, rate), freq, gain, q)
        for freq in (30, 100, 1000, 4000, 8000, 12000, 16000)
        for gain in (-12, -6, 3, 12)
        for q in ((0.5, 1, 2, 8) if kind == "bell" else (0.5, 0.7071, 1.0))
    )
    assert worst[0] < 0.02, worst  # the demand is 0.4, the goal 0.1 dB


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(["bell", "low_shelf", "high_shelf"]),
    st.floats(20, 20000),
    st.floats(-30, 30),
    st.floats(0.1, 20),
    st.sampled_from([44100, 48000, 96000]),
)
def test_matched_designs_are_stable_and_invertible(kind, freq, gain, q, rate):
    q = q if kind == "bell" else min(q, 5)
    sections = matched(kind, freq, gain, q, rate)
    for row in sections:
        assert np.abs(np.roots(row[3:])).max() < 1
    inverse = matched(kind, freq, -gain, q, rate)
    freqs = np.geomspace(20, 0.49 * rate, 100)
    product = biquad.response(np.concatenate([sections, inverse]), freqs, rate)
    assert np.abs(20 * np.log10(np.abs(product))).max() < 0.05


def test_the_bilinear_form_is_the_cookbooks():
    x = np.zeros((1, 64))
    x[0, 0] = 1
    y = through(x, do="eq", design="bilinear", bands=[{"kind": "bell", "freq_hz": 1000, "gain_db": 6, "q": 1}])
    # W3C Audio EQ Cookbook evaluated at 48 kHz: b0, and y[1] = b1 - a1 b0.
    assert y[0, 0] == pytest.approx(1.043953086990, abs=1e-9)
    assert y[0, 1] == pytest.approx(-1.895320723937 + 1.895320723937 * 1.043953086990, abs=1e-9)


def test_published_values_of_a_bell_at_12_khz():
    # Analog bell +12 dB, Q 2, 12 kHz: 1.471 4.244 12 6.546 2.496 dB at 6, 8.485, 12, 15, 20 kHz (evaluated).
    freqs = [6000, 8485.28, 12000, 15000, 20000]
    got = 20 * np.log10(np.abs(biquad.response(matched("bell", 12000, 12, 2, 48000), freqs, 48000)))
    assert got == pytest.approx([1.471, 4.244, 12, 6.546, 2.496], abs=0.02)
