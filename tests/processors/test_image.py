"""`width`, `pan` and `balance`: mono sums, highs and sides are as published."""

from __future__ import annotations

import numpy as np
import pytest

import chainrun.processors  # noqa: F401
from tests.signals import noise
from tests.steps import RATE, through


def test_mono_below_keeps_the_mono_sum_and_the_highs():
    x = np.stack([noise(RATE, seed=1), noise(RATE, seed=2)])
    y = through(x, do="width", mono_below_hz=200)
    window = np.hanning(RATE)

    def level(signal_, low, high):
        return 10 * np.log10(np.sum(np.abs(np.fft.rfft(signal_ * window)[low:high]) ** 2))

    for low, high in ((30, 100), (100, 400), (1000, 5000)):
        assert level(y[0] + y[1], low, high) == pytest.approx(level(x[0] + x[1], low, high), abs=0.1)
    assert level(y[0] - y[1], 20, 100) < level(x[0] - x[1], 20, 100) - 20
    assert level(y[0] - y[1], 1000, 5000) == pytest.approx(level(x[0] - x[1], 1000, 5000), abs=0.05)


def test_pan_step_and_balance():
    x = np.ones((1, 10))
    # Roads, The Computer Music Tutorial, 1996 (from memory): constant power at p = 0.25: -0.688 and -8.343 dB.
    assert 20 * np.log10(through(x, do="pan", pan_pct=-50)[:, 0]) == pytest.approx([-0.688, -8.343], abs=1e-3)
    stereo = np.stack([np.full(10, 0.5), np.full(10, 0.25)])
    assert through(stereo, do="balance", swap=True)[:, 0] == pytest.approx([0.25, 0.5])
    assert through(stereo, do="balance", balance_pct=-100)[:, 0] == pytest.approx([0.5, 0.0])
