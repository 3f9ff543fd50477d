"""Filters against the Audio EQ Cookbook, Butterworth tables and analog formulas."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from chainrun.dsp import biquad

RATE = 48000

# W3C Audio EQ Cookbook, 8 June 2021, evaluated in double precision at 48 kHz, 1 kHz, normalised to a0 = 1.
COOKBOOK = {
    "low_pass": (
        biquad.low_pass(1000, np.sqrt(0.5), RATE),
        [0.003916126661, 0.007832253321, 0.003916126661],
        [-1.815341082705, 0.831005589347],
    ),
    "high_pass": (
        biquad.high_pass(1000, np.sqrt(0.5), RATE),
        [0.911586668013, -1.823173336026, 0.911586668013],
        [-1.815341082705, 0.831005589347],
    ),
    "band_pass": (
        biquad.band_pass(1000, 2, RATE),
        [0.031600378776, 0, -0.031600378776],
        [-1.920229656437, 0.936799242447],
    ),
    "notch": (
        biquad.notch(1000, 2, RATE),
        [0.968399621224, -1.920229656437, 0.968399621224],
        [-1.920229656437, 0.936799242447],
    ),
    "bell": (
        biquad.bell(1000, 6, 1, RATE),
        [1.043953086990, -1.895320723937, 0.867722284760],
        [-1.895320723937, 0.911675371750],
    ),
    "low_shelf": (
        biquad.low_shelf(1000, 6, np.sqrt(0.5), RATE),
        [1.032562483248, -1.838856871900, 0.828747684312],
        [-1.844456867161, 0.855710172299],
    ),
    "high_shelf": (
        biquad.high_shelf(1000, 6, np.sqrt(0.5), RATE),
        [1.932340509500, -3.564118722440, 1.653523430324],
        [-1.780867406800, 0.802612624183],
    ),
}


@pytest.mark.parametrize("name", sorted(COOKBOOK))
def test_cookbook_coefficients(name):
    section, b, a = COOKBOOK[name]
    assert section[:3] == pytest.approx(b, abs=1e-11)
    assert section[4:] == pytest.approx(a, abs=1e-11)


def db(sections, freq_hz):
    return 20 * np.log10(np.abs(biquad.response(np.atleast_2d(sections), np.atleast_1d(freq_hz), RATE)))


def test_cookbook_properties():
    # The Note: gain dBgain at f0, shelf midpoint at f0, 0 dB far away.
    assert db(COOKBOOK["bell"][0], 1000) == pytest.approx(6.0, abs=1e-9)
    assert db(COOKBOOK["bell"][0], 1e-3) == pytest.approx(0.0, abs=1e-6)
    assert db(COOKBOOK["low_shelf"][0], [1e-3, 1000]) == pytest.approx([6.0, 3.0], abs=1e-6)
    assert db(COOKBOOK["high_shelf"][0], [1e-3, 1000]) == pytest.approx([0.0, 3.0], abs=1e-6)
    assert db(COOKBOOK["band_pass"][0], 1000) == pytest.approx(0.0, abs=1e-9)
    assert db(COOKBOOK["low_pass"][0], 1000) == pytest.approx(-3.0103, abs=1e-4)


def test_boost_and_equal_cut_cancel():
    boost, cut = biquad.bell(3000, 9, 1.4, RATE), biquad.bell(3000, -9, 1.4, RATE)
    freqs = np.geomspace(20, 23000, 200)
    assert db(np.stack([boost, cut]), freqs) == pytest.approx(np.zeros(200), abs=1e-10)


def test_all_pass_turns_the_phase_and_no_level():
    section = biquad.all_pass(1000, 0.7, RATE)
    assert db(section, np.geomspace(20, 20000, 50)) == pytest.approx(np.zeros(50), abs=1e-10)
    assert biquad.response(section, [1000.0], RATE)[0] == pytest.approx(-1.0, abs=1e-9)


# Zverev, Handbook of Filter Synthesis, 1967 (from memory); recomputed.
BUTTERWORTH_Q = {
    2: [0.7071],
    3: [1.0],
    4: [0.5412, 1.3066],
    5: [0.6180, 1.6180],
    6: [0.5176, 0.7071, 1.9319],
    8: [0.5098, 0.6013, 0.9000, 2.5629],
}


@pytest.mark.parametrize("order", sorted(BUTTERWORTH_Q))
def test_butterworth_q(order):
    assert sorted(biquad.butterworth_q(order)) == pytest.approx(BUTTERWORTH_Q[order], abs=5e-5)


@pytest.mark.parametrize("order", range(1, 9))
@pytest.mark.parametrize("high", [True, False])
def test_cuts_agree_with_scipys_butterworth(order, high):
    ours = biquad.butterworth(order, 300.0, RATE, high=high)
    theirs = signal.butter(order, 300.0, "high" if high else "low", fs=RATE, output="sos")
    freqs = np.geomspace(20, 20000, 100)
    _, expected = signal.sosfreqz(theirs, freqs, fs=RATE)
    assert np.abs(biquad.response(ours, freqs, RATE) - expected).max() < 1e-9
    assert db(ours, 300.0) == pytest.approx(-3.0103, abs=1e-4)


def test_bell_follows_the_analog_formula_at_low_frequencies():
    # Analog prototype of the Note: H(s) = (s^2 + s A/Q + 1) / (s^2 + s/(A Q) + 1).
    a, q, f0 = 10 ** (6 / 40), 1.2, 200.0
    freqs = np.geomspace(20, 1000, 60)
    s = 1j * freqs / f0
    analog = 20 * np.log10(np.abs((s * s + s * a / q + 1) / (s * s + s / (a * q) + 1)))
    assert np.abs(db(biquad.bell(f0, 6, q, RATE), freqs) - analog).max() < 0.01


def test_cut_slopes():
    # common practice: n poles fall by 6 dB per octave each, far below the corner.
    for order in range(1, 9):
        sections = biquad.butterworth(order, 1000.0, RATE, high=True)
        slope = db(sections, 40.0)[0] - db(sections, 20.0)[0]
        assert slope == pytest.approx(6.02 * order, abs=0.05)
