"""`saturate`: distortion through the whole step, levels kept, tone, bands, and refusals."""

from __future__ import annotations

import numpy as np
import pytest
from pydantic import ValidationError
from scipy import signal

import chainrun.processors  # noqa: F401
from tests.signals import drums, noise, sine
from tests.steps import RATE, STEP, through


def test_distortion_through_the_whole_step():
    # The same closed form (tanh, g = 2) at 4 times the rate, on a tone whose harmonics stay under 20 kHz.
    n = RATE
    x = np.sin(2 * np.pi * 250 * np.arange(n) / RATE)[None]
    y = through(x, do="saturate", curve="tanh", drive_db=20 * np.log10(2))[0]
    spectrum = np.abs(np.fft.rfft(y[:n])) / n * 2
    lines = spectrum[250::250][:70]
    assert lines[0] == pytest.approx(1.117942, rel=1e-3)
    assert np.sqrt(np.sum(lines[1:] ** 2)) / lines[0] == pytest.approx(0.173407, rel=1e-3)


@pytest.mark.parametrize("curve", ["tanh", "arctangent", "cubic", "sine_fold", "hard_clip", "biased_tanh"])
@pytest.mark.parametrize("drive", [0, 12, 24])
def test_keep_level_keeps_the_reference_sine(curve, drive):
    x = sine(1000, 1, -12)[None]
    y = through(x, do="saturate", curve=curve, drive_db=drive, keep_level=True)
    change = 20 * np.log10(np.std(y[0, 9600:-9600]) / np.std(x[0, 9600:-9600]))
    assert change == pytest.approx(0, abs=0.5)


@pytest.mark.parametrize("tone_db", [-18, 18])
def test_keep_level_holds_in_the_corner_of_all_ranges(tone_db):
    """A folding curve, driven 48 dB: its harmonics alias, and the tilt after the curve weights them."""
    x = sine(1000, 1, -12)[None]
    y = through(x, do="saturate", curve="sine_fold", drive_db=48, keep_level=True, tone_db=tone_db, tone_hz=10000)
    change = 20 * np.log10(np.std(y[0, 9600:-9600]) / np.std(x[0, 9600:-9600]))
    assert change == pytest.approx(0, abs=0.1)


@pytest.mark.parametrize("tone_db", [-12, 9, 18])
@pytest.mark.parametrize("tone_hz", [300, 3000])
def test_keep_level_counts_the_tone(tone_db, tone_hz):
    x = sine(1000, 1, -12)[None]
    y = through(x, do="saturate", curve="hard_clip", drive_db=18, keep_level=True, tone_db=tone_db, tone_hz=tone_hz)
    change = 20 * np.log10(np.std(y[0, 9600:-9600]) / np.std(x[0, 9600:-9600]))
    assert change == pytest.approx(0, abs=0.1)


def test_the_tone_tilts_and_tilts_back():
    x = noise(RATE, 0.001)[None]  # so quiet that the curve is straight
    y = through(x, do="saturate", curve="tanh", drive_db=0, tone_db=9)
    plain = through(x, do="saturate", curve="tanh", drive_db=0)
    assert 20 * np.log10(np.std(y) / np.std(plain)) == pytest.approx(0, abs=0.02)


@pytest.mark.parametrize(
    "numbers",
    [
        {"do": "saturate", "oversample": 1_000_000_000},
        {"do": "saturate", "drive_db": 1e6},
        {"do": "eq", "bands": [{"kind": "bell", "freq_hz": 100, "gain_db": 1}] * 100_000},
        {"do": "split", "crossovers_hz": [100.0] * 1000, "bands": [{}] * 1001},
    ],
)
def test_resource_bombs_are_refused(numbers):
    with pytest.raises(ValidationError):
        STEP.validate_python(numbers)


def test_saturation_by_bands_leaves_the_other_bands_alone():
    x = (sine(80, 1, -6) + sine(5000, 1, -30))[None]
    bands = [{"chain": [{"do": "saturate", "drive_db": 12}]}, {}]
    y = through(x, do="split", crossovers_hz=[600], bands=bands)[0]
    spectrum = np.abs(np.fft.rfft(y[:RATE] * np.hanning(RATE)))
    assert spectrum[240] > 100 * spectrum[300]  # the third harmonic of 80 Hz
    assert spectrum[5000] / np.abs(np.fft.rfft(x[0] * np.hanning(RATE)))[5000] == pytest.approx(1, abs=0.01)


def test_drums_keep_their_time_through_saturation():
    x = signal.sosfilt(signal.butter(8, 12000, fs=RATE, output="sos"), drums(RATE))[None]
    y = through(x, do="saturate", drive_db=-24, makeup_db=24)
    assert np.abs(y - x)[0, 100:-100].max() < 0.005
