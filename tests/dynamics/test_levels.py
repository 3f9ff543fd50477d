"""The rest of the dynamics: expander, hits, dynamic eq, split, true-peak limiter, the compressor's options."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

import chainrun.processors  # noqa: F401
from chainrun.contract import Key, Stream
from chainrun.dsp.adaptive import CrestFactor, branching_with
from chainrun.dsp.ballistics import time_constant
from chainrun.dsp.peak_hold import PeakHold
from chainrun.runtime import ChainRunner
from tests.dynamics.parts import RATE, STEP, level_db, run, runner_of
from tests.signals import hostile, in_pieces, noise, sine

# -- gate and expander -------------------------------------------------------------------------------------


def test_the_gates_gain_steps_follow_its_attack():
    # A one-pole in dB moves at most (1 - exp(-1/(tau fs))) of its range in one frame: no click beyond that.
    x = np.full((1, 4800), 1e-3)
    x[0, 2000:] = 0.5
    for attack in (0.1, 1.0, 10.0):
        y, _ = run(x, do="gate", threshold_db=-20, range_db=60, attack_ms=attack)
        gain = 20 * np.log10(np.abs(y[0] / x[0]))
        most = 60 * (1 - time_constant(attack, RATE))
        assert np.diff(gain).max() == pytest.approx(most, rel=1e-6)


def test_the_gate_never_opens_again_on_its_own_hold():
    x = np.full((1, RATE), 1e-5)
    x[0, 1000] = 0.9
    y, _ = run(x, do="gate", threshold_db=-20, range_db=60, hold_ms=30, release_ms=5, attack_ms=0.1)
    is_open = 20 * np.log10(y[0] / x[0]) > -1
    assert np.count_nonzero(np.diff(is_open.astype(int)) == 1) == 1


def test_rms_detection_sees_the_mean_and_not_the_peak():
    # A sine of 0 dBFS peak has an RMS of -3.01 dBFS (BS.1770's plain mean square).
    x = sine(1000, 0.5, 0)[None]
    for threshold, is_open in ((-3.5, True), (-2.5, False)):
        y, _ = run(x, do="gate", threshold_db=threshold, detect="rms", window_ms=50, hysteresis_db=0, range_db=60)
        assert bool(level_db(y[0, -4800:]) > -10) is is_open


def test_a_gate_keyed_from_two_stems_opens_on_their_hits_alone():
    kick, snare, hat = Key.model_validate({"from": ["kick", "snare"]}), 4800, 24000
    heard = np.zeros((1, RATE))
    heard[0, 4800:5800] = 0.5
    heard[0, 33600:34600] = 0.4
    x = noise(RATE, 0.1)[None]
    runner = runner_of(keys={kick: 1}, do="gate", threshold_db=-20, range_db=40, hold_ms=20, release_ms=10,
                       key={"from": ["kick", "snare"]})  # fmt: skip
    y = runner.run(x, {kick: heard})
    change = [level_db(y[0, a : a + 800]) - level_db(x[0, a : a + 800]) for a in (snare, 33600, hat)]
    assert change[0] > -1 and change[1] > -1
    assert change[2] == pytest.approx(-40, abs=0.1)


def test_key_filters_choose_what_opens_the_gate():
    x = (sine(60, 0.5, -6) + 0.0)[None]
    shut, _ = run(x, do="gate", threshold_db=-20, range_db=60, key_low_cut_hz=1000)
    opened, _ = run(x, do="gate", threshold_db=-20, range_db=60, key_high_cut_hz=1000)
    assert level_db(shut[0, 9600:]) < level_db(x[0]) - 50
    assert level_db(opened[0, 9600:]) == pytest.approx(level_db(x[0, 9600:]), abs=0.01)


@pytest.mark.parametrize("do", ["gate", "expander", "compressor"])
def test_listen_puts_out_the_key_in_time(do):
    key = Key.model_validate({"from": ["other"]})
    step = STEP.validate_python(
        {"do": do, "threshold_db": -20, "lookahead_ms": 3, "listen": True, "key": {"from": ["other"]}}
    )
    chain = ChainRunner([step], Stream(RATE, 1, key_channels={key: 1}))
    heard = np.zeros((1, 4800))
    heard[0, 1000] = 1.0
    y = chain.run(np.zeros((1, 4800)), {key: heard})[0, chain.latency_frames :]
    assert int(y.argmax()) == 1000


@pytest.mark.parametrize("under", [0, 5, 10, 30])
def test_expander_follows_its_curve(under):
    # Downward expansion of ratio R: a dB below the threshold comes out as R dB (definition), capped at the range.
    level = -30 - under
    x = np.full((1, RATE), 10 ** (level / 20))
    y, _ = run(x, do="expander", threshold_db=-30, ratio=2, knee_db=0, range_db=20, release_ms=20, detect="rms")
    assert 20 * np.log10(y[0, -1]) == pytest.approx(level - min(20, under), abs=0.01)


def test_expander_attack_is_faster_than_its_release():
    x = np.concatenate([np.full(RATE, 1e-3), np.full(RATE, 0.5), np.full(RATE, 1e-3)])[None]
    y, _ = run(x, do="expander", threshold_db=-30, ratio=3, knee_db=0, range_db=30, attack_ms=2, release_ms=200,
               window_ms=0.1)  # fmt: skip
    gain = 20 * np.log10(y[0] / x[0])
    opens = np.flatnonzero(gain[RATE:] > -30 * np.exp(-1))[0] / 48
    closes = np.flatnonzero(gain[2 * RATE :] < -30 * (1 - np.exp(-1)))[0] / 48
    assert opens == pytest.approx(2, abs=0.1)
    assert closes == pytest.approx(200, rel=0.02)


# -- compressor --------------------------------------------------------------------------------------------


def test_upward_compression_raises_what_is_below():
    for level, expected in ((-50, -50 + 12), (-40, -40 + 10), (-20, -20), (-10, -10)):
        x = np.full((1, RATE), 10 ** (level / 20))
        y, _ = run(x, do="compressor", direction="up", threshold_db=-20, ratio=2, knee_db=0, range_db=12)
        assert 20 * np.log10(y[0, -1]) == pytest.approx(expected, abs=0.02)


def test_the_range_caps_the_reduction():
    x = np.ones((1, RATE))
    y, runner = run(x, do="compressor", threshold_db=-40, ratio=20, range_db=6)
    assert 20 * np.log10(y[0, -1]) == pytest.approx(-6, abs=1e-3)
    assert runner.readings()[0].gain_reduction_max_db == pytest.approx(6, abs=1e-3)


def test_auto_makeup_is_half_of_what_full_scale_loses():
    # JAES 61(10), 2013 (from memory): average gain about T (1/R - 1) / 2.
    x = np.full((1, 4800), 1e-3)
    y, _ = run(x, do="compressor", threshold_db=-20, ratio=4, makeup="auto")
    assert 20 * np.log10(y[0, -1] / x[0, -1]) == pytest.approx(7.5, abs=1e-9)


def test_decoupled_smoothing_releases_later_than_branching():
    x = np.concatenate([np.ones(RATE), np.full(RATE, 1e-3)])[None]
    times = {}
    for smoothing in ("branching", "decoupled"):
        y, _ = run(x, do="compressor", threshold_db=-20, ratio=2, knee_db=0, attack_ms=10, release_ms=100,
                   smoothing=smoothing)  # fmt: skip
        reduction = -20 * np.log10(y[0] / x[0])[RATE:]
        times[smoothing] = np.flatnonzero(reduction < 10 * np.exp(-1))[0] / 48
    # JAES 60(6), 2012: branching 100 ms, decoupled about release + attack (evaluated: 110.5 ms).
    assert times["branching"] == pytest.approx(100, abs=0.2)
    assert times["decoupled"] == pytest.approx(110.5, abs=0.3)


def test_two_stage_release_is_fast_and_then_slow():
    x = np.concatenate([np.ones(RATE), np.full(3 * RATE, 1e-3)])[None]
    y, _ = run(x, do="compressor", threshold_db=-20, ratio=2, knee_db=0, attack_ms=5, release_ms=50,
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
        y, _ = run(joined, do="compressor", threshold_db=-30, ratio=4, knee_db=0, attack_ms=1, release_ms=1000,
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
            STEP.validate_python({"do": "compressor", "threshold_db": -20, **numbers})


@settings(max_examples=25, deadline=None)
@given(st.sampled_from(sorted(hostile())), st.floats(0, 50), st.lists(st.integers(1, 2500), min_size=1, max_size=4))
def test_varying_release_against_its_twin(name, attack_ms, cuts):
    x = np.abs(hostile(3000)[name]) * 20
    attack = time_constant(attack_ms, RATE)
    release = np.exp(-1 / (48 * np.linspace(5, 800, x.size)))
    expected, y = np.empty(x.size), 0.7
    for n, value in enumerate(x):
        c = attack if value > y else release[n]
        y = c * y + (1 - c) * value
        expected[n] = y
    found, at = [], 0
    for (piece,) in in_pieces(x[None], cuts):
        last = found[-1][-1] if found else 0.7
        found.append(branching_with(piece, attack, release[at : at + piece.size], float(last)))
        at += piece.size
    assert np.abs(np.concatenate(found) - expected).max() <= 1e-9


@settings(max_examples=25, deadline=None)
@given(st.sampled_from(sorted(hostile())), st.floats(0.01, 900), st.lists(st.integers(1, 2500), min_size=1, max_size=4))
def test_peak_hold_against_its_twin(name, ms, cuts):
    x, decay = np.abs(hostile(3000)[name]), time_constant(ms, RATE)
    expected, held = np.empty(x.size), 0.2
    for n, value in enumerate(x):
        held = max(value, decay * held)
        expected[n] = held
    kernel, found, last = PeakHold(decay), [], 0.2
    for (piece,) in in_pieces(x[None], cuts):
        found.append(kernel.run(piece, last))
        last = float(found[-1][-1])
    assert np.abs(np.concatenate(found) - expected).max() <= 1e-12
