"""`hum` removes hum from the first frame on, and leaves the rest."""

from __future__ import annotations

import numpy as np
import pytest

import chainrun.processors  # noqa: F401
from tests.signals import noise, sine
from tests.steps import RATE, through


def line_db(x, freq_hz):
    """Level of a steady wave over the whole of x, in dB."""
    return 20 * np.log10(np.abs(np.mean(x * np.exp(-2j * np.pi * freq_hz / RATE * np.arange(x.size)))) + 1e-15)


@pytest.mark.parametrize("mains_hz", [50, 60])
def test_hum_goes_from_the_first_frame_and_the_rest_stays(mains_hz):
    """Over the whole file, 6 s: nothing is left out while the notches settle."""
    music = noise(6 * RATE, 0.05)
    hum = sum(sine(mains_hz * k, 6, -30 - 6 * k) for k in (1, 2, 3))
    for x in (hum, music + hum):
        y = through(x[None], do="hum", mains_hz=mains_hz, harmonics=3)[0]
        for k in (1, 2, 3):
            assert line_db(x, mains_hz * k) - line_db(y, mains_hz * k) >= 30, k
    left = through(hum[None], do="hum", mains_hz=mains_hz, harmonics=3)[0]
    assert np.std(left[: RATE // 4]) < 1e-4 * np.std(hum)
    y = through(music[None], do="hum", mains_hz=mains_hz, harmonics=3)[0]
    for begin in (0, 3 * RATE):
        part = slice(begin, begin + 3 * RATE)
        assert 20 * np.log10(np.std(y[part]) / np.std(music[part])) == pytest.approx(0, abs=0.5)


def test_a_hit_in_the_first_seconds_is_no_hum():
    """A low drum near the mains frequency: the notches start at rest, and add nothing before it."""
    x = np.zeros(3 * RATE)
    for at in (0.6, 1.3, 2.2):
        t = np.arange(RATE // 3) / RATE
        x[int(at * RATE) :][: t.size] += 0.6 * np.exp(-t / 0.08) * np.sin(2 * np.pi * 55 * t)
    y = through(x[None], do="hum", mains_hz=50, harmonics=3)[0]
    assert np.abs(y[: int(0.6 * RATE)]).max() == 0
    assert 20 * np.log10(np.std(y) / np.std(x)) == pytest.approx(0, abs=0.5)
