"""Fractional delays, rate conversion, rides and stretches."""

from __future__ import annotations

import numpy as np
import pytest
from pydantic import TypeAdapter

import chainrun.processors  # noqa: F401
from chainrun.contract import Stream, any_step
from chainrun.dsp.fractional_delay import sinc_taps
from chainrun.dsp.pan import balance_gains, pan_gains, ride_gain, stretches_gain
from chainrun.dsp.resample import Resampler
from chainrun.runtime import ChainRunner
from chainrun.units import speed_of_sound
from tests.signals import in_pieces, noise, sine

RATE = 48000
STEP = TypeAdapter(any_step())


@pytest.mark.parametrize("fraction", [0.1, 0.25, 0.5, 0.9])
def test_fractional_delay_is_right_to_20_khz(fraction):
    taps = sinc_taps(fraction)
    w = 2 * np.pi * np.linspace(100, 20000, 200) / RATE
    response = np.exp(-1j * np.outer(w, np.arange(taps.size))) @ taps
    delay = -np.unwrap(np.angle(response * np.exp(1j * w * 31))) / w
    assert np.abs(delay - fraction).max() < 0.001  # frames
    assert np.abs(20 * np.log10(np.abs(response))).max() < 0.01


@pytest.mark.parametrize(
    "time", [{"time_samples": 7.5}, {"time_samples": 100.25}, {"time_ms": 3.0}, {"distance_m": 1.0}]
)
def test_delay_step_delays_by_what_it_says(time):
    step = STEP.validate_python({"do": "delay", **time})
    chain = ChainRunner([step], Stream(RATE, 1))
    x = sine(1000, 0.2, 0)
    y = chain.run(np.concatenate([x, np.zeros(chain.latency_frames)])[None], {})[0, chain.latency_frames :]
    frames = step.delay_frames(RATE)
    expected = np.sin(2 * np.pi * 1000 * (np.arange(x.size) - frames) / RATE)
    assert np.abs(y - expected)[2000:-2000].max() < 1e-4


def test_speed_of_sound():
    # ISO 9613-1:1993 at 0, 10, 15, 20, 25, 30 degrees C.
    assert [speed_of_sound(t) for t in (0, 10, 15, 20, 25, 30)] == pytest.approx(
        [331.286, 337.296, 340.261, 343.200, 346.114, 349.005], abs=1e-3
    )


@pytest.mark.parametrize(("source", "target"), [(44100, 48000), (48000, 44100), (96000, 48000), (48000, 44101)])
def test_conversion_keeps_time_level_and_purity(source, target):
    for freq in (100.0, 997.0, 12000.0, 19000.0):
        x = sine(freq, 0.6, -6, source)
        y = Resampler(source, target, 1).run(x[None], last=True)[0]
        t = np.arange(int(0.6 * target)) / target
        expected = 10 ** (-6 / 20) * np.sin(2 * np.pi * freq * t)
        middle = slice(target // 10, target // 2)
        error = np.abs(y[: t.size] - expected)[middle].max()
        assert error < (1e-3 if freq > 15000 else 2e-5), (freq, error)


@pytest.mark.parametrize(("source", "target"), [(44100, 48000), (48000, 44100)])
def test_conversion_is_flat_and_pure_to_20_khz(source, target):
    """The figures of dsp/resample.py: within 0.01 dB, nothing but the tone above -100 dB."""
    window = np.kaiser(target, 20)
    for freq in (1000, 12000, 20000):
        y = Resampler(source, target, 1).run(sine(freq, 1.2, 0, source)[None], last=True)[0]
        spectrum = np.abs(np.fft.rfft(y[target // 10 : target // 10 + target] * window)) * 2 / window.sum()
        assert 20 * np.log10(spectrum[freq]) == pytest.approx(0, abs=0.01)
        spectrum[freq - 12 : freq + 13] = 0
        assert 20 * np.log10(spectrum.max()) < -100


def test_conversion_does_not_depend_on_the_blocks():
    x = noise(20000)[None]
    whole = Resampler(44100, 48000, 1).run(x, last=True)
    kernel, parts = Resampler(44100, 48000, 1), []
    pieces = list(in_pieces(x, [999, 4096, 1]))
    for i, piece in enumerate(pieces):
        parts.append(kernel.run(piece, last=i == len(pieces) - 1))
    assert np.abs(np.concatenate(parts, axis=1)[:, :21000] - whole[:, :21000]).max() < 1e-12


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
