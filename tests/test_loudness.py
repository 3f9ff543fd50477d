"""The meter against ITU-R BS.1770-5, EBU Tech 3341 v4 and a second opinion."""

from __future__ import annotations

import numpy as np
import pyloudnorm
import pytest
from scipy import signal

from chainrun.dsp.true_peak import Interpolator
from chainrun.loudness import Meter
from chainrun.loudness.k_weighting import k_weighting
from tests.signals import drums, in_pieces, noise, sine

RATE = 48000


def read(x, rate=RATE, **more):
    meter = Meter(rate, x.shape[0], **more)
    for piece in in_pieces(x, [61440]):
        meter.feed(piece)
    return meter.result()


def both(*parts, freq=1000.0):
    """Stereo sine, in phase on both sides: (seconds, peak dBFS) after each other."""
    level = np.concatenate([np.full(round(s * RATE), 10 ** (db / 20)) for s, db in parts])
    x = level * np.sin(2 * np.pi * freq * np.arange(level.size) / RATE)
    return np.stack([x, x])


def test_k_weighting_at_48_khz_is_the_printed_one():
    # ITU-R BS.1770-5 Annex 1, Tables 1 and 2.
    shelf, high_pass = k_weighting(48000)
    assert shelf[:3] == pytest.approx([1.53512485958697, -2.69169618940638, 1.19839281085285], abs=1e-11)
    assert shelf[4:] == pytest.approx([-1.69065929318241, 0.73248077421585], abs=1e-11)
    assert high_pass[:3] == pytest.approx([1, -2, 1], abs=1e-12)
    assert high_pass[4:] == pytest.approx([-1.99004745483398, 0.99007225036621], abs=1e-11)


@pytest.mark.parametrize("rate", [44100, 88200, 96000, 192000])
def test_other_rates_have_the_same_response(rate):
    # BS.1770-5: other rates "shall give the same frequency response"; within 0.01 dB to 10 kHz.
    freqs = np.geomspace(20, 10000, 100)
    _, ours = signal.sosfreqz(k_weighting(rate), freqs, fs=rate)
    _, printed = signal.sosfreqz(k_weighting(48000), freqs, fs=48000)
    limit = 0.01 if rate != 44100 else 0.02
    deviation = np.abs(20 * np.log10(np.abs(ours) / np.abs(printed)))
    assert deviation[freqs <= 4000].max() < limit


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


def test_interpolator_beside_the_printed_coefficients():
    # ITU-R BS.1770-5 Annex 2, phases 0 and 1 of the printed 48 taps; 2 and 3 are these reversed.
    zero = [0.001708984375, 0.010986328125, -0.0196533203125, 0.033203125, -0.0594482421875, 0.1373291015625,
            0.97216796875, -0.102294921875, 0.047607421875, -0.026611328125, 0.014892578125, -0.00830078125]  # fmt: skip
    one = [-0.0291748046875, 0.029296875, -0.0517578125, 0.089111328125, -0.16650390625, 0.465087890625,
           0.77978515625, -0.2003173828125, 0.1015625, -0.0582275390625, 0.0330810546875, -0.0189208984375]  # fmt: skip
    for x in (noise(RATE, 0.2), drums(RATE)):
        printed = max(np.abs(np.convolve(x, taps)).max() for taps in (zero, one, one[::-1], zero[::-1]))
        ours = 10 ** (read(x[None]).true_peak_dbtp / 20)
        assert 20 * np.log10(ours / printed) == pytest.approx(0, abs=0.5)  # the printed set ripples by 0.2 dB


def test_interpolator_is_flat_to_20_khz():
    between = Interpolator(4)
    for matrix in between._matrices:
        taps = matrix[: between.n_taps, 0]
        _, h = signal.freqz(taps, worN=np.linspace(10, 20000, 100), fs=RATE)
        assert np.abs(20 * np.log10(np.abs(h))).max() < 0.03


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
