"""The expander follows its curve, in its times, as its twin does."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import chainrun.processors  # noqa: F401
from chainrun.contract import Stream
from chainrun.dsp.ballistics import time_constant
from tests.signals import hostile, in_pieces
from tests.steps import RATE, STEP, run_step


@pytest.mark.parametrize("under", [0, 5, 10, 30])
def test_expander_follows_its_curve(under):
    # Downward expansion of ratio R: a dB below the threshold comes out as R dB (definition), capped at the range.
    level = -30 - under
    x = np.full((1, RATE), 10 ** (level / 20))
    y, _ = run_step(x, do="expander", threshold_dbfs=-30, ratio=2, knee_db=0, range_db=20, release_ms=20, detect="rms")
    assert 20 * np.log10(y[0, -1]) == pytest.approx(level - min(20, under), abs=0.01)


def test_expander_attack_is_faster_than_its_release():
    x = np.concatenate([np.full(RATE, 1e-3), np.full(RATE, 0.5), np.full(RATE, 1e-3)])[None]
    y, _ = run_step(x, do="expander", threshold_dbfs=-30, ratio=3, knee_db=0, range_db=30, attack_ms=2, release_ms=200,
               window_ms=0.1)  # fmt: skip
    gain = 20 * np.log10(y[0] / x[0])
    opens = np.flatnonzero(gain[RATE:] > -30 * np.exp(-1))[0] / 48
    closes = np.flatnonzero(gain[2 * RATE :] < -30 * (1 - np.exp(-1)))[0] / 48
    assert opens == pytest.approx(2, abs=0.1)
    assert closes == pytest.approx(200, rel=0.02)


def test_expander_holds_before_it_falls():
    x = np.concatenate([np.full(RATE // 2, 0.5), np.full(RATE // 2, 1e-3)])[None]
    y, _ = run_step(
        x, do="expander", threshold_dbfs=-30, ratio=3, range_db=30, hold_ms=100, release_ms=10, window_ms=0.1
    )
    gain = 20 * np.log10(y[0] / x[0])
    assert gain[RATE // 2 + 4700] == pytest.approx(0, abs=0.01)
    assert gain[RATE // 2 + 9600] < -25


@settings(max_examples=20, deadline=None)
@given(
    st.sampled_from(sorted(hostile())),
    st.floats(-50, -5),
    st.floats(1.1, 8),
    st.floats(0, 12),
    st.lists(st.integers(1, 2500), min_size=1, max_size=4),
)
def test_expander_and_upward_compressor_against_their_twins(name, threshold, ratio, knee, cuts):
    x = hostile(3000)[name][None]
    decay, attack, release = (time_constant(ms, RATE) for ms in (10, 2, 60))
    cases = [
        ({"do": "expander", "range_db": 40}, ratio - 1, 40, -1),
        ({"do": "compressor", "direction": "up", "range_db": 15}, 1 - 1 / ratio, 15, 1),
    ]
    for numbers, slope, max_db, sign in cases:
        step = STEP.validate_python({**numbers, "threshold_dbfs": threshold, "ratio": ratio, "knee_db": knee,
                                     "attack_ms": 2, "release_ms": 60, "window_ms": 10})  # fmt: skip
        runner = step.start(Stream(RATE, 1))
        found = np.concatenate([runner.run(piece, {}) for piece in in_pieces(x, cuts)], axis=1)[0]
        held, change = 0.0, max_db if numbers["do"] == "expander" else 0.0
        expected = np.empty(3000)
        for n, value in enumerate(np.abs(x[0])):
            held = max(value, held * decay)
            under = threshold - 20 * np.log10(max(held, 1e-30))
            if 2 * under <= -knee:
                wanted = 0.0
            elif knee > 0 and 2 * abs(under) < knee:
                wanted = slope * (under + knee / 2) ** 2 / (2 * knee)
            else:
                wanted = slope * under
            wanted = min(wanted, max_db)
            a = release if wanted > change else attack
            change = a * change + (1 - a) * wanted
            expected[n] = x[0, n] * 10 ** (sign * change / 20)
        assert np.abs(found - expected).max() <= 1e-9
