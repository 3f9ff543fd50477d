"""The compressor's options: detection, range, makeup, smoothing, two-stage and automatic release."""

from __future__ import annotations

import numpy as np
import pytest
from pydantic import ValidationError

import chainrun.processors  # noqa: F401
from chainrun.contract import Stream
from chainrun.dsp.adaptive import CrestFactor
from tests.signals import drums, sine
from tests.steps import RATE, STEP, level_db, run_step, through


@pytest.mark.parametrize(
    ("knee_db", "below_db", "ratio"), [(0, 20, 4), (6, 20, 4), (12, 3, 2), (24, 6, 8), (24, 12, 8), (60, 10, 3)]
)
def test_auto_makeup_counts_the_knee(knee_db, below_db, ratio):
    """Half of what a steady 0 dBFS loses by the static curve, knee and all (JAES 60(6), 2012, eq. 4)."""
    numbers = {"do": "compressor", "threshold_dbfs": -float(below_db), "ratio": ratio, "knee_db": knee_db}
    x = np.full((1, RATE), 1.0)
    settled = {"attack_ms": 0.1, "release_ms": 10.0}
    lost = -20 * np.log10(through(x, **numbers, **settled)[0, -1])
    step = STEP.validate_python({**numbers, "makeup": "auto"})
    assert step.makeup_gain_db(-float(below_db)) == pytest.approx(lost / 2, abs=0.01)


def test_rms_detection_sees_the_mean_and_not_the_peak():
    # A sine of 0 dBFS peak has an RMS of -3.01 dBFS (BS.1770's plain mean square).
    x = sine(1000, 0.5, 0)[None]
    for threshold, is_open in ((-3.5, True), (-2.5, False)):
        y, _ = run_step(
            x, do="gate", threshold_dbfs=threshold, detect="rms", window_ms=50, hysteresis_db=0, range_db=60
        )
        assert bool(level_db(y[0, -4800:]) > -10) is is_open


def test_upward_compression_raises_what_is_below():
    for level, expected in ((-50, -50 + 12), (-40, -40 + 10), (-20, -20), (-10, -10)):
        x = np.full((1, RATE), 10 ** (level / 20))
        y, _ = run_step(x, do="compressor", direction="up", threshold_dbfs=-20, ratio=2, knee_db=0, range_db=12)
        assert 20 * np.log10(y[0, -1]) == pytest.approx(expected, abs=0.02)


def test_the_range_caps_the_reduction():
    x = np.ones((1, RATE))
    y, runner = run_step(x, do="compressor", threshold_dbfs=-40, ratio=20, range_db=6)
    assert 20 * np.log10(y[0, -1]) == pytest.approx(-6, abs=1e-3)
    assert runner.readings()[0].gain_reduction_max_db == pytest.approx(6, abs=1e-3)


def test_auto_makeup_is_half_of_what_full_scale_loses():
    # JAES 61(10), 2013 (from memory): average gain about T (1/R - 1) / 2.
    x = np.full((1, 4800), 1e-3)
    y, _ = run_step(x, do="compressor", threshold_dbfs=-20, ratio=4, makeup="auto")
    assert 20 * np.log10(y[0, -1] / x[0, -1]) == pytest.approx(7.5, abs=1e-9)


def test_decoupled_smoothing_releases_later_than_branching():
    x = np.concatenate([np.ones(RATE), np.full(RATE, 1e-3)])[None]
    times = {}
    for smoothing in ("branching", "decoupled"):
        y, _ = run_step(x, do="compressor", threshold_dbfs=-20, ratio=2, knee_db=0, attack_ms=10, release_ms=100,
                   smoothing=smoothing)  # fmt: skip
        reduction = -20 * np.log10(y[0] / x[0])[RATE:]
        times[smoothing] = np.flatnonzero(reduction < 10 * np.exp(-1))[0] / 48
    # JAES 60(6), 2012: branching 100 ms, decoupled about release + attack (evaluated: 110.5 ms).
    assert times["branching"] == pytest.approx(100, abs=0.2)
    assert times["decoupled"] == pytest.approx(110.5, abs=0.3)


def test_two_stage_release_is_fast_and_then_slow():
    x = np.concatenate([np.ones(RATE), np.full(3 * RATE, 1e-3)])[None]
    y, _ = run_step(x, do="compressor", threshold_dbfs=-20, ratio=2, knee_db=0, attack_ms=5, release_ms=50,
               release_shape="two_stage", release_slow_ms=1000, release_slow_pct=40)  # fmt: skip
    reduction = -20 * np.log10(y[0] / x[0])
    assert reduction[RATE - 1] == pytest.approx(10, abs=1e-6)
    # After five fast time constants the slow 40 % are left: 4 dB times exp(-0.25).
    assert reduction[RATE + 12000] == pytest.approx(4 * np.exp(-0.25) + 6 * np.exp(-5), abs=0.01)


def test_auto_release_is_slow_on_a_tone_and_fast_after_a_hit():
    tone = sine(1000, 2, 0)
    hit = np.full(2 * RATE, 1e-3)
    hit[RATE : RATE + 480] = 1.0
    tail = np.full(2 * RATE, 1e-3)
    times = []
    for x, start in ((tone, 2 * RATE), (hit, RATE + 480)):
        joined = np.concatenate([x, tail])[None]
        y, _ = run_step(joined, do="compressor", threshold_dbfs=-30, ratio=4, knee_db=0, attack_ms=1, release_ms=1000,
                   auto_release=True)  # fmt: skip
        quiet = np.maximum(np.abs(joined[0]), 1e-9)
        reduction = -20 * np.log10(np.maximum(np.abs(y[0]), 1e-9) / quiet)[start + 10 :]
        audible = np.abs(joined[0][start + 10 :]) > 1e-6
        times.append(np.flatnonzero((reduction < reduction[audible][0] * np.exp(-1)) & audible)[0] / 48)
    assert times[1] < times[0] / 4


def test_crest_factor_of_a_sine_is_2():
    # JAES 61(10), 2013 (from memory): a steady sine has C^2 = 2.
    crest, _ = CrestFactor(RATE).run(np.abs(sine(1000, 3, -6)), (0.0, 0.0))
    assert crest[-1] == pytest.approx(2.0, rel=0.01)


def test_options_that_do_not_go_together_are_refused():
    for numbers in (
        {"auto_release": True, "smoothing": "decoupled"},
        {"direction": "up", "release_shape": "two_stage"},
        {"makeup": "auto", "makeup_db": 3},
    ):
        with pytest.raises(ValidationError):
            STEP.validate_python({"do": "compressor", "threshold_dbfs": -20, **numbers})


def test_unlinked_upward_compression_reads_its_largest_boost():
    x = np.stack([np.full(RATE, 0.9), np.full(RATE, 0.001)])
    _, runner = run_step(
        x, do="compressor", direction="up", threshold_dbfs=-20, stereo_link_pct=0, release_ms=1, attack_ms=0
    )
    assert runner.readings()[0].gain_reduction_max_db == pytest.approx(-12, abs=0.01)
    assert runner.readings()[0].gain_reduction_working_pct > 95


def test_auto_makeup_moves_with_the_hits_and_gives_at_most_the_range():
    x = drums(RATE)[None]
    gains = []
    for level, hit in ((1.0, -5.0), (10 ** (-9 / 20), -14.0)):
        step = STEP.validate_python({"do": "compressor", "threshold_below_hits_db": 15, "ratio": 4, "makeup": "auto"})
        gains.append(step.start(Stream(RATE, 1, hit_level_dbfs=hit)).run(x * level, {}) / level)
    assert np.abs(gains[0] - gains[1]).max() < 1e-9
    y, _ = run_step(np.ones((1, 4800)), do="compressor", threshold_dbfs=-40, ratio=4, range_db=0, makeup="auto")
    assert y[0, -1] == pytest.approx(1.0)


def test_auto_release_is_never_longer_than_its_longest():
    x = np.concatenate([np.ones(RATE), np.full(RATE, 1e-3)])[None]
    y, _ = run_step(
        x, do="compressor", threshold_dbfs=-20, ratio=2, knee_db=0, attack_ms=0, release_ms=1, auto_release=True
    )
    reduction = -20 * np.log10(y[0] / x[0])[RATE:]
    assert np.flatnonzero(reduction < 10 * np.exp(-1))[0] / 48 <= 1.1
