"""Static curves and smoothers against published values."""

from __future__ import annotations

import numpy as np
import pytest

import chainrun.processors  # noqa: F401
from chainrun.dsp.ballistics import Branching, Decoupled, time_constant
from chainrun.dsp.gain_computer import DownwardCurve
from chainrun.units import LOG2_PER_DB
from tests.steps import RATE

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


def test_time_constants():
    # JAES 60(6), 2012, eq. (7): alpha = exp(-1 / (tau fs)) at 48 kHz for 1, 10, 100 ms.
    assert [time_constant(ms, RATE) for ms in (1, 10, 100)] == pytest.approx(
        [0.979382181, 0.997918835, 0.999791688], abs=5e-10
    )


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
