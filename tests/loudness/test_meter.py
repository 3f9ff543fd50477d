"""The meter against ITU-R BS.1770-5, EBU Tech 3341 v4 and a second opinion."""

from __future__ import annotations

import numpy as np
import pyloudnorm
import pytest

from chainrun.loudness import Meter
from tests.loudness.reading import read
from tests.signals import drums, in_pieces, noise, sine

RATE = 48000


def both(*parts, freq=1000.0):
    """Stereo sine, in phase on both sides: (seconds, peak dBFS) after each other."""
    level = np.concatenate([np.full(round(s * RATE), 10 ** (db / 20)) for s, db in parts])
    x = level * np.sin(2 * np.pi * freq * np.arange(level.size) / RATE)
    return np.stack([x, x])


def test_calibration_of_997_hz():
    # BS.1770-5 Annex 1: 0 dBFS 997 Hz in one of L, C, R reads -3.01 LKFS; evaluated -3.01028.
    x = sine(997, 20, 0)
    assert read(x[None]).integrated_lufs == pytest.approx(-3.01028, abs=1e-4)
    assert read(np.stack([x, x])).integrated_lufs == pytest.approx(0.00002, abs=1e-4)


# EBU Tech 3341 v4, Table 1, cases 1-5: expected -23.0 +-0.1 LU; the last column is evaluated at 48 kHz.
CASES = {
    1: (((20, -23),), -23.0, -22.9933),
    2: (((20, -33),), -33.0, -32.9933),
    3: (((10, -36), (60, -23), (10, -36)), -23.0, -23.0139),
    4: (((10, -72), (10, -36), (60, -23), (10, -36), (10, -72)), -23.0, -23.0139),
    5: (((20, -26), (20.1, -20), (20, -26)), -23.0, -22.9787),
}


@pytest.mark.parametrize("case", sorted(CASES))
def test_tech_3341_integrated(case):
    parts, expected, evaluated = CASES[case]
    found = read(both(*parts), true_peak=False).integrated_lufs
    assert found == pytest.approx(expected, abs=0.1)
    assert found == pytest.approx(evaluated, abs=0.003)


def test_tech_3341_case_6_five_channels():
    x = sine(1000, 20, 0)
    levels = 10 ** (np.array([-28, -28, -24, -30, -30]) / 20)
    found = read(levels[:, None] * x, true_peak=False).integrated_lufs
    assert found == pytest.approx(-23.0, abs=0.1)
    assert found == pytest.approx(-23.0163, abs=0.003)


# EBU Tech 3341 v4, Table 1, cases 15-19: divisor of the rate, phase, full-scale fraction, expected dBTP.
PEAKS = {
    15: (4, 0, 0.5, -6.0),
    16: (4, 45, 0.5, -6.0),
    17: (6, 60, 0.5, -6.0),
    18: (8, 67.5, 0.5, -6.0),
    19: (4, 45, 1.41, 3.0),
}


@pytest.mark.parametrize("case", sorted(PEAKS))
def test_tech_3341_true_peak(case):
    divisor, phase, scale, expected = PEAKS[case]
    n = RATE
    x = scale * np.sin(2 * np.pi * np.arange(n) / divisor + np.deg2rad(phase))
    fade = np.minimum(1, np.minimum(np.arange(n), n - 1 - np.arange(n)) / 480)  # 10 ms, Table 1
    found = read((x * fade)[None]).true_peak_dbtp
    assert expected - 0.4 <= found <= expected + 0.2  # Table 1: +0.2 / -0.4 dB
    assert found == pytest.approx(20 * np.log10(scale), abs=0.02)


@pytest.mark.parametrize("rate", [44100, 48000])
@pytest.mark.parametrize("make", [noise, drums])
def test_pyloudnorm_agrees(rate, make):
    n = int(rate * 7.3) // (rate // 10) * (rate // 10)  # it counts an incomplete last block: whole 100 ms
    x = np.stack([make(n, seed=1), 0.6 * make(n, seed=2)])
    second = pyloudnorm.Meter(rate, filter_class="DeMan").integrated_loudness(x.T)
    assert read(x, rate).integrated_lufs == pytest.approx(second, abs=0.02)


def test_silence_and_short_signals():
    assert read(np.zeros((2, RATE))).integrated_lufs == -np.inf
    assert read(np.zeros((2, RATE))).true_peak_dbtp == -np.inf
    assert read(noise(19199)[None]).integrated_lufs == -np.inf  # under 400 ms there is no block
    assert read(noise(19200)[None]).integrated_lufs > -40


def test_meter_does_not_depend_on_the_blocks():
    x = np.stack([drums(100_000), noise(100_000)])
    whole = read(x)
    meter = Meter(RATE, 2)
    for piece in in_pieces(x, [1000, 3, 4801]):
        meter.feed(piece)
    found = meter.result()
    assert found.integrated_lufs == pytest.approx(whole.integrated_lufs, abs=1e-9)
    assert found.true_peak_dbtp == pytest.approx(whole.true_peak_dbtp, abs=1e-9)
