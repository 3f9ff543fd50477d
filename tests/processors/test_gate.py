"""The gate: times, hold, range, lookahead, keys and their filters."""

from __future__ import annotations

import numpy as np
import pytest

import chainrun.processors  # noqa: F401
from chainrun.contract import Key, Stream
from chainrun.dsp.ballistics import time_constant
from chainrun.runtime import ChainRunner
from tests.signals import noise, sine
from tests.steps import RATE, STEP, level_db, run_step, runner_of


def test_gate_opens_in_its_attack_time():
    x = np.full((1, 4800), 1e-4)
    x[0, 2000:] = 0.5
    y, _ = run_step(x, do="gate", threshold_dbfs=-30, range_db=40, attack_ms=2, hold_ms=10)
    gain = 20 * np.log10(y[0] / x[0])
    assert gain[1999] == pytest.approx(-40, abs=1e-6)
    # 63.2 % of 40 dB, 2 ms after the level has passed the threshold.
    assert gain[2000 + 96 - 1] == pytest.approx(-40 * np.exp(-1), rel=0.01)


def test_gate_holds_and_then_falls_by_the_range():
    x = np.full((1, RATE), 1e-4)
    x[0, 1000:2000] = 0.5
    y, _ = run_step(
        x, do="gate", threshold_dbfs=-30, range_db=40, attack_ms=0.1, hold_ms=50, release_ms=20, window_ms=0.1
    )
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
        y, _ = run_step(
            x, do="gate", threshold_dbfs=-20, range_db=60, attack_ms=0.5, hold_ms=50, lookahead_ms=lookahead
        )
        lost[lookahead] = -10 * np.log10(np.sum(y[0, first] ** 2) / energy)
    assert lost[4.0] < 0.5 < lost[0.0]


def test_bleed_falls_by_the_range():
    x = np.concatenate([noise(4800, 0.5), noise(RATE, 0.002)])[None]
    y, _ = run_step(x, do="gate", threshold_dbfs=-20, range_db=36, hold_ms=20, release_ms=30)
    end = slice(-9600, None)
    fall = 20 * np.log10(np.std(x[0, end]) / np.std(y[0, end]))
    assert fall == pytest.approx(36, abs=0.01)


def test_the_gates_gain_steps_follow_its_attack():
    # A one-pole in dB moves at most (1 - exp(-1/(tau fs))) of its range in one frame: no click beyond that.
    x = np.full((1, 4800), 1e-3)
    x[0, 2000:] = 0.5
    for attack in (0.1, 1.0, 10.0):
        y, _ = run_step(x, do="gate", threshold_dbfs=-20, range_db=60, attack_ms=attack)
        gain = 20 * np.log10(np.abs(y[0] / x[0]))
        max_step = 60 * (1 - time_constant(attack, RATE))
        assert np.diff(gain).max() == pytest.approx(max_step, rel=1e-6)


def test_the_gate_never_opens_again_on_its_own_hold():
    x = np.full((1, RATE), 1e-5)
    x[0, 1000] = 0.9
    y, _ = run_step(x, do="gate", threshold_dbfs=-20, range_db=60, hold_ms=30, release_ms=5, attack_ms=0.1)
    is_open = 20 * np.log10(y[0] / x[0]) > -1
    assert np.count_nonzero(np.diff(is_open.astype(int)) == 1) == 1


def test_a_gate_keyed_from_two_stems_opens_on_their_hits_alone():
    kick, snare, hat = Key.model_validate({"from": ["kick", "snare"]}), 4800, 24000
    sidechain = np.zeros((1, RATE))
    sidechain[0, 4800:5800] = 0.5
    sidechain[0, 33600:34600] = 0.4
    x = noise(RATE, 0.1)[None]
    runner = runner_of(keys={kick: 1}, do="gate", threshold_dbfs=-20, range_db=40, hold_ms=20, release_ms=10,
                       key={"from": ["kick", "snare"]})  # fmt: skip
    y = runner.run(x, {kick: sidechain})
    change = [level_db(y[0, a : a + 800]) - level_db(x[0, a : a + 800]) for a in (snare, 33600, hat)]
    assert change[0] > -1 and change[1] > -1
    assert change[2] == pytest.approx(-40, abs=0.1)


def test_key_filters_choose_what_opens_the_gate():
    x = (sine(60, 0.5, -6) + 0.0)[None]
    shut, _ = run_step(x, do="gate", threshold_dbfs=-20, range_db=60, key_low_cut_hz=1000)
    opened, _ = run_step(x, do="gate", threshold_dbfs=-20, range_db=60, key_high_cut_hz=1000)
    assert level_db(shut[0, 9600:]) < level_db(x[0]) - 50
    assert level_db(opened[0, 9600:]) == pytest.approx(level_db(x[0, 9600:]), abs=0.01)


@pytest.mark.parametrize("do", ["gate", "expander", "compressor"])
def test_listen_puts_out_the_key_in_time(do):
    key = Key.model_validate({"from": ["other"]})
    step = STEP.validate_python(
        {"do": do, "threshold_dbfs": -20, "lookahead_ms": 3, "listen": True, "key": {"from": ["other"]}}
    )
    chain = ChainRunner([step], Stream(RATE, 1, key_channels={key: 1}))
    sidechain = np.zeros((1, 4800))
    sidechain[0, 1000] = 1.0
    y = chain.run(np.zeros((1, 4800)), {key: sidechain})[0, chain.latency_frames :]
    assert int(y.argmax()) == 1000
