"""Saturation's curves and their oversampling: harmonics in closed form, aliases, time."""

from __future__ import annotations

import numpy as np
import pytest

import chainrun.processors  # noqa: F401
from chainrun.dsp.curves import CORNERED, DEFAULT_OVERSAMPLING, curve_of
from chainrun.dsp.oversample import Oversampler
from tests.signals import noise, sine
from tests.steps import RATE, through


def harmonics(curve, amplitude, bias=0.2, n=4096):
    """Amplitudes of the harmonics of a sine through a curve."""
    x = amplitude * np.sin(2 * np.pi * np.arange(n) / n)
    curve_of(curve, bias)(x)
    return np.abs(np.fft.rfft(x)) / n * 2


# Closed forms and integrals, evaluated in double precision: fundamental, THD_F (square root of the powers of the
# harmonics over the fundamental). IEC 60268-3 clause 14.12 divides by the whole in place of the fundamental.
THD = [
    ("tanh", 0.5, 0.471143, 0.019618),
    ("tanh", 1.0, 0.811676, 0.067065),
    ("tanh", 2.0, 1.117942, 0.173407),
    ("hard_clip", 2.0, 2 * 0.608998, 0.232938),
    ("hard_clip", 1 / 0.9, 0.962614 / 0.9, 0.042199),
    ("cubic", 1.0, 1.125, 1 / 9),
]


@pytest.mark.parametrize(("curve", "amplitude", "fundamental", "thd"), THD)
def test_distortion_of_the_curves(curve, amplitude, fundamental, thd):
    h = harmonics(curve, amplitude)
    assert h[1] == pytest.approx(fundamental, rel=1e-4)
    assert 20 * np.log10(np.sqrt(np.sum(h[2:] ** 2)) / h[1] / thd) == pytest.approx(0, abs=0.1)


def test_chebyshev_identity():
    """T5(cos w) = cos 5w: the harmonic analysis of these tests finds the fifth and nothing else."""
    x = np.cos(2 * np.pi * np.arange(4096) / 4096)
    t5 = np.abs(np.fft.rfft(16 * x**5 - 20 * x**3 + 5 * x)) / 4096 * 2
    assert t5[5] == pytest.approx(1, abs=1e-12)
    assert np.delete(t5, 5).max() < 1e-12


def test_symmetric_curves_make_odd_harmonics_alone():
    for curve in ("tanh", "arctangent", "cubic", "sine_fold", "hard_clip"):
        assert harmonics(curve, 1.3)[2:40:2].max() < 1e-12
    assert harmonics("biased_tanh", 1.0)[2] > 0.01


def test_the_lopsided_curve_leaves_no_dc():
    y = through(sine(100, 3, 0)[None], do="saturate", curve="biased_tanh", bias_pct=50, drive_db=6)[0]
    assert abs(y[-48000:].mean()) < 1e-4


def alias_floor(curve, factor, freq_hz=5000.0, drive_db=12.0, n=1 << 16):
    """Loudest line that is no harmonic, in dB of the fundamental: over the whole band, and up to 20 kHz."""
    line = round(freq_hz / RATE * n) | 1
    x = 10 ** (drive_db / 20) * np.sin(2 * np.pi * line * np.arange(2 * n) / n)
    kernel = Oversampler(
        factor, curve_of(curve, 0.2), 1.0, 1.0, scratch=None, antiderivative=CORNERED.get(curve) if factor > 1 else None
    )
    spectrum = np.abs(np.fft.rfft(kernel.run(x)[n // 2 : n // 2 + n]))
    fundamental = spectrum[line]
    spectrum[: n // 2 : line] = 0  # harmonics, and the lopsided curve's DC, which the step takes out
    freqs = np.arange(spectrum.size) * RATE / n
    return 20 * np.log10(spectrum.max() / fundamental), 20 * np.log10(spectrum[freqs < 20000].max() / fundamental)


@pytest.mark.parametrize("curve", DEFAULT_OVERSAMPLING)
def test_alias_floor_of_the_default_oversampling(curve):
    """Also at tones whose harmonics are just above half the rate (4801 Hz: the fifth at 24005 Hz)."""
    for freq in (1500, 3000, 3430, 4801, 4900, 4950, 4987, 5000):
        whole, to_20k = alias_floor(curve, DEFAULT_OVERSAMPLING[curve], freq)
        assert whole < -90 and to_20k < -90, freq
    assert alias_floor(curve, DEFAULT_OVERSAMPLING[curve] // 2)[0] > -90  # half as much would not do


@pytest.mark.parametrize("curve", ["cubic", "hard_clip"])
def test_means_between_points_are_on_time_and_flat(curve):
    """The down filter compensates the half sample of delay and the drop of the antiderivative form."""
    freqs = np.array([100.0, 1000.0, 5000.0, 12000.0, 19000.0])
    t = np.arange(RATE) / RATE
    x = 0.02 * np.sin(2 * np.pi * freqs[:, None] * t)
    for factor, tolerance in ((2, 0.6), (4, 0.05), (8, 0.02)):
        for row, freq in zip(x, freqs, strict=True):
            kernel = Oversampler(factor, curve_of(curve, 0), 1.0, 1.0, scratch=None, antiderivative=CORNERED[curve])
            y = kernel.run(row)[4000:44000]
            spin = np.exp(
                -2j * np.pi * freq * np.arange(4000 - kernel.latency_frames, 44000 - kernel.latency_frames) / RATE
            )
            slope = 1.5 if curve == "cubic" else 1.0
            found = (y * spin * np.hanning(40000)).sum() / (0.02 / 2j * np.hanning(40000).sum()) / slope
            assert 20 * np.log10(abs(found)) == pytest.approx(0, abs=tolerance), (factor, freq)
            assert np.angle(found) == pytest.approx(0, abs=1e-3), (factor, freq)


def test_more_oversampling_has_less_aliasing():
    floors = [alias_floor("tanh", factor)[0] for factor in (1, 2, 4)]
    assert floors[0] > floors[1] + 20 > floors[2] + 40


@pytest.mark.parametrize("factor", [1, 2, 4, 8])
def test_oversampling_is_transparent_for_a_straight_line(factor):
    x = noise(20000, 0.1)
    kernel = Oversampler(factor, lambda _: None, 2.0, 0.5)
    late = kernel.latency_frames
    y = kernel.run(np.concatenate([x, np.zeros(late)]))[late:]
    window = np.hanning(x.size)
    ratio = np.abs(np.fft.rfft(y * window)) / np.abs(np.fft.rfft(x * window))
    band = slice(int(20 / RATE * x.size) + 1, int(19000 / RATE * x.size))
    assert np.abs(20 * np.log10(ratio[band])).max() < 0.05
