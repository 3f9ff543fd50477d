"""Bands of `eq`: slopes, tilt, shelves, and one side or mid alone."""

from __future__ import annotations

import numpy as np
import pytest
from pydantic import ValidationError

import chainrun.processors  # noqa: F401
from chainrun.dsp import biquad
from tests.signals import sine
from tests.steps import RATE, STEP, through


def test_slopes_to_96_db_per_octave():
    for slope in (6, 24, 48, 96):
        step = STEP.validate_python(
            {"do": "eq", "bands": [{"kind": "high_cut", "freq_hz": 500, "slope_db_per_octave": slope}]}
        )
        sections = step.bands[0].sections(RATE, "matched")
        level = 20 * np.log10(np.abs(biquad.response(sections, [500, 2000, 4000], RATE)))
        assert level[0] == pytest.approx(-3.0103, abs=1e-3)
        assert level[1] - level[2] == pytest.approx(slope, rel=0.03)  # common practice: the far slope


def test_tilt_turns_around_its_middle():
    level = 20 * np.log10(np.abs(biquad.response(biquad.tilt(1000, 6, RATE)[None], [1, 1000, 23000], RATE)))
    assert level == pytest.approx([-3, 0, 3], abs=0.05)


def test_shelf_slope_is_the_cookbooks():
    # S = 1 is the steepest shelf without overshoot: Q = 1/sqrt(2) for every gain (Audio EQ Cookbook).
    step = STEP.validate_python(
        {"do": "eq", "bands": [{"kind": "low_shelf", "freq_hz": 200, "gain_db": 9, "steepness_pct": 100}]}
    )
    assert step.bands[0].steepness() == pytest.approx(np.sqrt(0.5))
    with pytest.raises(ValidationError, match="not both"):
        STEP.validate_python(
            {"do": "eq", "bands": [{"kind": "low_shelf", "freq_hz": 200, "gain_db": 9, "steepness_pct": 100, "q": 1}]}
        )


def test_bands_on_one_side_and_on_mid_or_side():
    band = {"kind": "bell", "freq_hz": 1000, "gain_db": 12, "q": 0.5}
    left, right = sine(1000, 0.3, -20), sine(1000, 0.3, -20, phase=1.0)
    x = np.stack([left, right])

    def change(channel, signal=x):
        y = through(signal, do="eq", bands=[{**band, "acts_on": channel}])
        return [20 * np.log10(np.std(y[i, 4800:]) / np.std(signal[i, 4800:])) for i in (0, 1)]

    assert change("left") == pytest.approx([12, 0], abs=0.05)
    assert change("right") == pytest.approx([0, 12], abs=0.05)
    same = np.stack([left, left])
    assert change("mid", same) == pytest.approx([12, 12], abs=0.05)
    assert change("side", same) == pytest.approx([0, 0], abs=1e-6)


def test_mono_has_no_sides(session, chainrun):
    path = session.write(
        'grammar = 1\n[stems.a]\nfile = "kick.wav"\nchain = [ { do = "eq", bands = [ { kind = "tilt", freq_hz = 900, gain_db = 3, acts_on = "mid" } ] } ]\n'
    )
    ran = chainrun("check", path)
    assert (ran.code, "the signal here is mono" in ran.err) == (3, True)
