"""Pan laws, balance, rides and stretches, against published values."""

from __future__ import annotations

import numpy as np
import pytest

import chainrun.processors  # noqa: F401
from chainrun.dsp.pan import balance_gains, pan_gains, ride_gain, stretches_gain
from tests.steps import RATE

# Roads, The Computer Music Tutorial, 1996 (from memory), evaluated: law, p = 0.25 (left, right) in dB, centre.
LAWS = {-3.0: (-0.688, -8.343, -3.0103), -6.0: (-2.499, -12.041, -6.0206), -4.5: (-1.593, -10.192, -4.515)}


@pytest.mark.parametrize("law", sorted(LAWS))
def test_pan_laws(law):
    left, right, centre = LAWS[law]
    assert 20 * np.log10(pan_gains(-50, law)) == pytest.approx([left, right], abs=1e-3)
    assert 20 * np.log10(pan_gains(0, law)) == pytest.approx([centre, centre], abs=1e-3)
    assert pan_gains(-100, law) == pytest.approx((1, 0), abs=1e-9)


def test_balance_leaves_the_near_side_alone():
    assert balance_gains(0) == (1, 1)
    assert balance_gains(-50) == pytest.approx((1, np.cos(np.pi / 4)))
    assert balance_gains(100) == (0, 1)


def test_rides_are_exact_at_their_points_and_straight_between():
    gain = ride_gain([(0.0, 0.0), (1.0, -6.0), (2.0, 3.0)], 0, 2 * RATE + 1, RATE)
    db = 20 * np.log10(gain)
    assert [db[0], db[RATE // 2], db[RATE], db[2 * RATE]] == pytest.approx([0, -3, -6, 3], abs=1e-9)


def test_stretches_have_fades_of_10_ms():
    gain = stretches_gain([(0.5, 1.0)], 0, 2 * RATE, RATE)
    assert gain[: RATE // 2].max() == 0 == gain[RATE:].max()
    assert gain[RATE // 2 + 480] == 1 == gain[RATE - 480]
    assert np.abs(np.diff(gain)).max() < 0.004  # no click: a raised cosine over 480 frames
