"""Compressor, gate and limiter against published curves and times, and the trade's expectations."""

from __future__ import annotations

import numpy as np
import pytest
from pydantic import TypeAdapter

import chainrun.processors  # noqa: F401
from chainrun.contract import Stream, any_step
from chainrun.dsp.ballistics import Branching, Decoupled, time_constant
from chainrun.dsp.gain_computer import DownwardCurve
from chainrun.units import LOG2_PER_DB
from tests.signals import noise, sine

RATE = 48000
STEP = TypeAdapter(any_step())


def run(x, **numbers):
    step = STEP.validate_python(numbers)
    runner = step.start(Stream(RATE, x.shape[0], hit_level_dbfs=numbers.pop("hit", None)))
    late = runner.latency_frames
    y = runner.run(np.concatenate([x, np.zeros((x.shape[0], late))], axis=1), {})
    return y[:, late:], runner


# Giannoulis, Massberg, Reiss, JAES 60(6), 2012, eq. (4) with T = -20, R = 4, W = 10, evaluated.
CURVE = {-25: -25, -23: -23.15, -20: -20.9375, -17: -19.4, -15: -18.75, -10: -17.5, 0: -15}


@pytest.mark.parametrize(("level", "expected"), sorted(CURVE.items()))
def test_static_curve_with_a_soft_knee(level, expected):
    reduction = DownwardCurve(-20, 4, 10).reduction(np.array([10 ** (level / 20)]))[0] / LOG2_PER_DB
    assert level - reduction == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(("level", "expected"), [(-17, -19.25), (-10, -17.5), (0, -15)])
def test_static_curve_with_a_hard_knee(level, expected):
    reduction = DownwardCurve(-20, 4, 0).reduction(np.array([10 ** (level / 20)]))[0] / LOG2_PER_DB
    assert level - reduction == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(("level", "expected"), sorted(CURVE.items()))
def test_compressor_settles_on_its_static_curve(level, expected):
    x = np.full((1, RATE), 10 ** (level / 20))
    y, _ = run(x, do="compressor", threshold_db=-20, ratio=4, knee_db=10, attack_ms=5, release_ms=50)
    assert 20 * np.log10(y[0, -1]) == pytest.approx(expected, abs=0.01)


def test_time_constants():
    # JAES 60(6), 2012, eq. (7): alpha = exp(-1 / (tau fs)) at 48 kHz for 1, 10, 100 ms.
    assert [time_constant(ms, RATE) for ms in (1, 10, 100)] == pytest.approx(
        [0.979382181, 0.997918835, 0.999791688], abs=5e-10
    )


def reduction_of_a_step(attack_ms, release_ms):
    """Gain in dB over 1 s above the threshold, then 2 s below it: the step asks for 10 dB."""
    x = np.concatenate([np.ones(RATE), np.full(2 * RATE, 1e-4)])[None]
    y, _ = run(x, do="compressor", threshold_db=-20, ratio=2, knee_db=0, attack_ms=attack_ms, release_ms=release_ms)
    return -20 * np.log10(y[0] / x[0])


@pytest.mark.parametrize(("attack_ms", "release_ms"), [(1, 50), (10, 100), (30, 400)])
def test_attack_and_release_reach_63_percent_in_their_time(attack_ms, release_ms):
    reduction = reduction_of_a_step(attack_ms, release_ms)
    attack = np.flatnonzero(reduction >= 10 * (1 - np.exp(-1)))[0] / RATE * 1000
    assert attack == pytest.approx(attack_ms, rel=0.01, abs=1.5 / RATE * 1000)
    release = np.flatnonzero(reduction[RATE:] <= 10 * np.exp(-1))[0] / RATE * 1000
    assert release == pytest.approx(release_ms, rel=0.01)


def test_both_smoothers_on_a_step():
    # JAES 60(6), 2012: 10 dB, attack 10 ms, release 100 ms. The decoupled one releases later by about the attack.
    x = np.concatenate([np.full(RATE, 10.0), np.zeros(RATE)])
    a, r = time_constant(10, RATE), time_constant(100, RATE)
    for smooth, release_ms in (
        (Branching(a, r).run(x, 0.0), 100.0),
        (Decoupled(a, r).run(x, (0.0, 0.0))[0], 110.5),
    ):
        assert np.flatnonzero(smooth >= 6.3212)[0] / 48 == pytest.approx(10.0, abs=0.05)
        assert np.flatnonzero(smooth >= 3.9347)[0] / 48 == pytest.approx(5.0, abs=0.05)
        assert np.flatnonzero(smooth[RATE:] <= 3.6788)[0] / 48 == pytest.approx(release_ms, abs=0.1)


def test_gate_opens_in_its_attack_time():
    x = np.full((1, 4800), 1e-4)
    x[0, 2000:] = 0.5
    y, _ = run(x, do="gate", threshold_db=-30, range_db=40, attack_ms=2, hold_ms=10)
    gain = 20 * np.log10(y[0] / x[0])
    assert gain[1999] == pytest.approx(-40, abs=1e-6)
    # 63.2 % of 40 dB, 2 ms after the level has passed the threshold.
    assert gain[2000 + 96 - 1] == pytest.approx(-40 * np.exp(-1), rel=0.01)


def test_gate_holds_and_then_falls_by_the_range():
    x = np.full((1, RATE), 1e-4)
    x[0, 1000:2000] = 0.5
    y, _ = run(x, do="gate", threshold_db=-30, range_db=40, attack_ms=0.1, hold_ms=50, release_ms=20, window_ms=0.1)
    gain = 20 * np.log10(y[0] / x[0])
    assert gain[2000 + 2400 - 1] == pytest.approx(0, abs=1e-3)
    assert gain[2000 + 2400 + 2000] < -15
    assert gain[-1] == pytest.approx(-40, abs=1e-6)


def test_lookahead_lets_the_first_millisecond_through():
    # common practice: a gate with 4 ms lookahead passes the first 1 ms of a hit within 0.5 dB.
    x = np.zeros((1, 9600))
    x[0, 4800:] = noise(4800, 0.3) * np.exp(-np.arange(4800) / 1500)
    first = slice(4800, 4848)
    energy = np.sum(x[0, first] ** 2)
    lost = {}
    for lookahead in (0.0, 4.0):
        y, _ = run(x, do="gate", threshold_db=-20, range_db=60, attack_ms=0.5, hold_ms=50, lookahead_ms=lookahead)
        lost[lookahead] = -10 * np.log10(np.sum(y[0, first] ** 2) / energy)
    assert lost[4.0] < 0.5 < lost[0.0]


def test_bleed_falls_by_the_range():
    x = np.concatenate([noise(4800, 0.5), noise(RATE, 0.002)])[None]
    y, _ = run(x, do="gate", threshold_db=-20, range_db=36, hold_ms=20, release_ms=30)
    end = slice(-9600, None)
    fall = 20 * np.log10(np.std(x[0, end]) / np.std(y[0, end]))
    assert fall == pytest.approx(36, abs=0.01)


def test_thresholds_travel_with_the_hits():
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
    y, _ = run(x, do="compressor", threshold_db=-20, ratio=4, knee_db=0, stereo_link_pct=link, attack_ms=1)
    change = 20 * np.log10(np.std(y[:, -4800:], axis=1) / np.std(x[:, -4800:], axis=1))
    if link == 0:
        assert change[1] == pytest.approx(0, abs=1e-9)
    if link == 100:
        assert change[0] == pytest.approx(change[1], abs=1e-9)
    if link == 50:
        assert change[0] < change[1] - 1


def test_limiter_holds_every_sample():
    for x in (noise(RATE, 1.5), np.where(np.arange(RATE) % 100 < 3, 4.0, 0.01), sine(997, 1, 12)):
        y, runner = run(x[None], do="limiter", ceiling_dbfs=-3)
        assert np.abs(y).max() <= 10 ** (-3 / 20) * (1 + 1e-9)
        assert runner.readings()[0].gain_reduction_max_db > 3


def test_readings_tell_the_reduction():
    x = np.concatenate([np.full(RATE, 1.0), np.full(RATE, 1e-3)])[None]
    _, runner = run(x, do="compressor", threshold_db=-20, ratio=2, knee_db=0, attack_ms=1, release_ms=5)
    reading = runner.readings()[0]
    assert reading.gain_reduction_max_db == pytest.approx(10, abs=1e-6)
    assert reading.gain_reduction_mean_db == pytest.approx(9.8, abs=0.2)
    assert reading.gain_reduction_working_pct == pytest.approx(51, abs=0.6)
    assert reading.points_per_second >= 100
    assert len(reading.curve_max_db) == pytest.approx(200, abs=1)
