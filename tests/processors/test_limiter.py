"""The limiter: samples and the signal between them stay below the ceiling, and the gain moves gently."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

import chainrun.processors  # noqa: F401
from chainrun.contract import Stream
from tests.signals import drums, noise, sine
from tests.steps import RATE, STEP, run_step, through


@pytest.mark.parametrize(
    ("low", "high", "over_db"), [(1000, 20000, 0.1), (20000, 22000, 0.1), (22000, 23000, 0.5), (23000, 23900, 2.6)]
)
def test_the_limiter_holds_what_its_help_says(low, high, over_db):
    """Read at 16 times the rate by a transform of the whole, the ideal interpolator (closed form)."""
    rng = np.random.default_rng(11)
    t = np.arange(RATE) / RATE
    x = sum(np.sin(2 * np.pi * rng.uniform(low, high) * t + rng.uniform(0, 6)) for _ in range(5))
    x = x * np.interp(np.arange(RATE), np.linspace(0, RATE, 21), rng.uniform(0.2, 1.0, 21))
    y = through(x[None], do="limiter", ceiling_dbtp=-3.0)[0]
    spectrum = np.zeros(8 * y.size + 1, dtype=complex)
    spectrum[: y.size // 2 + 1] = np.fft.rfft(y)
    between = np.fft.irfft(spectrum, 16 * y.size)[16 * 2000 : -16 * 2000] * 16
    assert 20 * np.log10(np.abs(between).max()) <= -3.0 + over_db


def test_limiter_holds_every_sample():
    for x in (noise(RATE, 1.5), np.where(np.arange(RATE) % 100 < 3, 4.0, 0.01), sine(997, 1, 12)):
        y, runner = run_step(x[None], do="limiter", ceiling_dbfs=-3)
        assert np.abs(y).max() <= 10 ** (-3 / 20) * (1 + 1e-9)
        assert runner.readings()[0].gain_reduction_max_db > 3


def bursts(n):
    """Square bursts at random places, lengths and half-periods, up to 6 dB over full scale."""
    rng = np.random.default_rng(3)
    x = np.zeros(n)
    for _ in range(40):
        at, length, period = rng.integers(100, n - 600), rng.integers(3, 300), rng.integers(1, 9)
        x[at : at + length] = np.where((np.arange(length) // period) % 2, 1, -1) * rng.uniform(0.5, 2)
    return x


HOSTILE = {
    "square bursts": bursts(RATE),
    "fs/4 at 45 degrees": 1.4 * np.sin(np.pi / 2 * np.arange(RATE) + np.pi / 4),
    "fs/4 bursts": 1.4 * np.sin(np.pi / 2 * np.arange(RATE) + np.pi / 4) * ((np.arange(RATE) // 997) % 2),
    "clipped drums": np.clip(drums(RATE) * 8, -1, 1),
    "clipped noise": np.clip(noise(RATE, 0.8), -1, 1),
    "hot sine": sine(997, 1, 6),
}


@pytest.mark.parametrize("name", sorted(HOSTILE))
@pytest.mark.parametrize("ceiling", [-1.0, -6.0])
def test_true_peak_stays_under_the_ceiling(name, ceiling):
    """Never more than 0.1 dB over it, read at 16 times the rate by a general polyphase resampler (scipy)."""
    y, _ = run_step(HOSTILE[name][None], do="limiter", ceiling_dbtp=ceiling)
    padded = np.concatenate([np.zeros(200), y[0], np.zeros(200)])
    for window in (("kaiser", 5.0), ("kaiser", 9.0)):
        peak = 20 * np.log10(np.abs(signal.resample_poly(padded, 16, 1, window=window)).max())
        assert peak <= ceiling + 0.1, window


def test_the_limiter_leaves_alone_what_is_under_its_ceiling():
    x = noise(RATE, 0.02)[None]
    y, runner = run_step(x, do="limiter", ceiling_dbtp=-1)
    assert np.array_equal(y, x)
    assert runner.readings()[0].gain_reduction_max_db == 0


def test_the_limiters_gain_moves_no_faster_than_its_ramp():
    x = np.full(RATE, 0.1)
    x[24000] = 2.0
    y, _ = run_step(x[None], do="limiter", ceiling_dbfs=0, lookahead_ms=2, hold_ms=0, release_ms=100)
    gain = 20 * np.log10(y[0] / x)
    assert np.abs(np.diff(gain)).max() <= 6.03 / 96 * 1.01  # 6.02 dB over 2 ms


@pytest.mark.parametrize(
    ("rate", "lookahead", "ceiling"), [(48000, 20, -60), (96000, 10, -20), (192000, 1.5, -60), (8000, 20, -60)]
)
def test_the_limiter_holds_at_the_ends_of_its_ranges(rate, lookahead, ceiling):
    x = np.stack([0.9 * np.sin(2 * np.pi * 440 * np.arange(rate) / rate), 20.0 * np.ones(rate)])
    step = STEP.validate_python({"do": "limiter", "ceiling_dbtp": ceiling, "lookahead_ms": lookahead})
    y = step.start(Stream(rate, 2)).run(x, {})
    assert 20 * np.log10(np.abs(y).max()) <= ceiling + 1e-6


@pytest.mark.parametrize("lookahead", [1.0, 3.0])
@pytest.mark.parametrize(("hold", "release"), [(0, 1), (1, 5), (50, 500)])
def test_true_peak_holds_with_short_times_in_stereo(lookahead, hold, release):
    x = np.stack([HOSTILE["square bursts"], HOSTILE["clipped noise"]])
    y, _ = run_step(x, do="limiter", ceiling_dbtp=-1, lookahead_ms=lookahead, hold_ms=hold, release_ms=release)
    for row in y:
        peak = np.abs(signal.resample_poly(np.concatenate([row, np.zeros(200)]), 16, 1)).max()
        assert 20 * np.log10(peak) <= -0.9
