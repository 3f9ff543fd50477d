"""The compressor settles on its published curve, in its times, over linked sides."""

from __future__ import annotations

import numpy as np
import pytest

import chainrun.processors  # noqa: F401
from chainrun.contract import Stream
from tests.signals import noise, sine
from tests.steps import RATE, STEP, run_step

# Giannoulis, Massberg, Reiss, JAES 60(6), 2012, eq. (4) with T = -20, R = 4, W = 10, evaluated.
CURVE = {-25: -25, -23: -23.15, -20: -20.9375, -17: -19.4, -15: -18.75, -10: -17.5, 0: -15}


@pytest.mark.parametrize(("level", "expected"), sorted(CURVE.items()))
def test_compressor_settles_on_its_static_curve(level, expected):
    x = np.full((1, RATE), 10 ** (level / 20))
    y, _ = run_step(x, do="compressor", threshold_dbfs=-20, ratio=4, knee_db=10, attack_ms=5, release_ms=50)
    assert 20 * np.log10(y[0, -1]) == pytest.approx(expected, abs=0.01)


def reduction_of_a_step(attack_ms, release_ms):
    """Gain in dB over 1 s above the threshold, then 2 s below it: the step asks for 10 dB."""
    x = np.concatenate([np.ones(RATE), np.full(2 * RATE, 1e-4)])[None]
    y, _ = run_step(
        x, do="compressor", threshold_dbfs=-20, ratio=2, knee_db=0, attack_ms=attack_ms, release_ms=release_ms
    )
    return -20 * np.log10(y[0] / x[0])


@pytest.mark.parametrize(("attack_ms", "release_ms"), [(1, 50), (10, 100), (30, 400)])
def test_attack_and_release_reach_63_percent_in_their_time(attack_ms, release_ms):
    reduction = reduction_of_a_step(attack_ms, release_ms)
    attack = np.flatnonzero(reduction >= 10 * (1 - np.exp(-1)))[0] / RATE * 1000
    assert attack == pytest.approx(attack_ms, rel=0.01, abs=1.5 / RATE * 1000)
    release = np.flatnonzero(reduction[RATE:] <= 10 * np.exp(-1))[0] / RATE * 1000
    assert release == pytest.approx(release_ms, rel=0.01)


def test_thresholds_move_with_the_hits():
    hits = noise(RATE, 0.4) * np.exp(-(np.arange(RATE) % 12000) / 2000)
    quieter = hits * 10 ** (-9 / 20)
    for numbers in (
        {"do": "gate", "threshold_below_hits_db": 18, "range_db": 40},
        {"do": "compressor", "threshold_below_hits_db": 12, "ratio": 4},
    ):
        step = STEP.validate_python(numbers)
        loud = step.start(Stream(RATE, 1, hit_level_dbfs=-4.0)).run(hits[None], {})
        soft = step.start(Stream(RATE, 1, hit_level_dbfs=-13.0)).run(quieter[None], {})
        assert np.abs(loud * 10 ** (-9 / 20) - soft).max() < 1e-9


@pytest.mark.parametrize("link", [0, 50, 100])
def test_stereo_link(link):
    x = np.stack([sine(1000, 0.5, 0), sine(1000, 0.5, -40)])
    y, _ = run_step(x, do="compressor", threshold_dbfs=-20, ratio=4, knee_db=0, stereo_link_pct=link, attack_ms=1)
    change = 20 * np.log10(np.std(y[:, -4800:], axis=1) / np.std(x[:, -4800:], axis=1))
    if link == 0:
        assert change[1] == pytest.approx(0, abs=1e-9)
    if link == 100:
        assert change[0] == pytest.approx(change[1], abs=1e-9)
    if link == 50:
        assert change[0] < change[1] - 1


def test_readings_show_the_reduction():
    x = np.concatenate([np.full(RATE, 1.0), np.full(RATE, 1e-3)])[None]
    _, runner = run_step(x, do="compressor", threshold_dbfs=-20, ratio=2, knee_db=0, attack_ms=1, release_ms=5)
    reading = runner.readings()[0]
    assert reading.gain_reduction_max_db == pytest.approx(10, abs=1e-6)
    assert reading.gain_reduction_mean_db == pytest.approx(9.8, abs=0.2)
    assert reading.gain_reduction_working_pct == pytest.approx(51, abs=0.6)
    assert reading.points_per_second >= 100
    assert len(reading.curve_max_db) == pytest.approx(200, abs=1)
