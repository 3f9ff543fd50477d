"""Dynamic bands follow their curves in their own regions, one after the other."""

from __future__ import annotations

import numpy as np
import pytest

import chainrun.processors  # noqa: F401
from tests.signals import sine
from tests.steps import RATE, level_db, run_step


@pytest.mark.parametrize("direction", ["down", "up"])
def test_a_dynamic_band_follows_the_static_curve_at_its_centre(direction):
    x = sine(1000, 2, -10)[None]
    # The level that counts is each frame's own: a sine works the curve over its whole swing. A DC-like check needs a
    # square wave, which the band-pass rounds; so the limit is the curve at the peak.
    y, runner = run_step(x, do="dynamic_eq", bands=[
        {"kind": "bell", "freq_hz": 1000, "q": 1, "threshold_dbfs": -20, "ratio": 2, "knee_db": 0, "direction": direction,
         "attack_ms": 0, "release_ms": 2000}])  # fmt: skip
    change = level_db(y[0, -9600:]) - level_db(x[0, -9600:])
    expected = 5.0 if direction == "up" else -5.0  # 10 dB over, ratio 2
    assert change == pytest.approx(expected, abs=0.15)
    assert runner.readings()[0].step == "bands.0"
    assert runner.readings()[0].gain_reduction_max_db == pytest.approx(-expected, abs=0.1)


def test_a_dynamic_band_leaves_other_regions_alone():
    bands = [{"kind": "bell", "freq_hz": 8000, "q": 4, "threshold_dbfs": -40, "ratio": 10, "range_db": 12}]
    x = (sine(8000, 1, -10) + sine(200, 1, -10))[None]
    y, _ = run_step(x, do="dynamic_eq", bands=bands)
    window = np.hanning(RATE)
    change = 20 * np.log10(np.abs(np.fft.rfft(y[0] * window)) / np.abs(np.fft.rfft(x[0] * window)))
    assert change[200] == pytest.approx(0, abs=0.1)
    assert change[8000] < -8


def test_dynamic_bands_act_one_after_the_other():
    band = {"kind": "bell", "freq_hz": 1000, "threshold_dbfs": -60, "ratio": 100, "range_db": 12, "knee_db": 0}
    x = sine(1000, 1, -1)[None]
    for count in (1, 2, 3):
        y, _ = run_step(x, do="dynamic_eq", bands=[band] * count)
        assert level_db(y[0, 9600:]) - level_db(x[0, 9600:]) == pytest.approx(-12 * count, abs=0.1)
        assert np.dot(y[0, 9600:], x[0, 9600:]) > 0, "the polarity stays"


def test_dynamic_eq_listens_to_its_regions():
    y, _ = run_step(
        sine(100, 1, -6)[None],
        do="dynamic_eq",
        listen=True,
        bands=[{"kind": "bell", "freq_hz": 8000, "threshold_dbfs": -30}],
    )
    assert level_db(y[0, 9600:]) < -50
