"""The K-weighting is the printed one at 48 kHz, and has its response at other rates."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from chainrun.loudness.k_weighting import k_weighting


def test_k_weighting_at_48_khz_is_the_printed_one():
    # ITU-R BS.1770-5 Annex 1, Tables 1 and 2.
    shelf, high_pass = k_weighting(48000)
    assert shelf[:3] == pytest.approx([1.53512485958697, -2.69169618940638, 1.19839281085285], abs=1e-11)
    assert shelf[4:] == pytest.approx([-1.69065929318241, 0.73248077421585], abs=1e-11)
    assert high_pass[:3] == pytest.approx([1, -2, 1], abs=1e-12)
    assert high_pass[4:] == pytest.approx([-1.99004745483398, 0.99007225036621], abs=1e-11)


def level_db(rate, freqs, which=slice(None)):
    """The response of all sections, or of some, in dB."""
    _, response = signal.sosfreqz(k_weighting(rate)[which], freqs, fs=rate)
    return 20 * np.log10(np.abs(response))


def furthest_from_48_khz(rate, highest_hz):
    freqs = np.geomspace(20, highest_hz, 2000)
    return np.abs(level_db(rate, freqs) - level_db(48000, freqs)).max()


@pytest.mark.parametrize("rate", [44100, 88200, 96000, 192000])
def test_other_rates_have_the_same_response(rate):
    # BS.1770-5: other rates "shall give the same frequency response"; the bilinear transform keeps it within 0.01 dB.
    assert furthest_from_48_khz(rate, 20000) < 0.01


@pytest.mark.parametrize("rate", [8000, 11025, 16000, 22050, 32000, 44100, 88200, 96000, 176400, 192000])
def test_every_rate_has_the_response_of_48_khz(rate):
    """Below 44.1 kHz the shelf is fitted up to 0.48 of the rate: within 0.02 dB at 8 kHz, less above."""
    apart = furthest_from_48_khz(rate, min(20000, 0.48 * rate))
    assert apart < (0.02 if rate == 8000 else 0.01)
    if 8000 < rate < 44100:
        assert apart < furthest_from_48_khz(8000, 3840)


def test_the_prototype_of_the_printed_sets():
    """A shelf of 3.99984 dB at 1681.97 Hz with Q 0.70718, a high-pass at 38.135 Hz with Q 0.50033."""
    w = 2j * np.pi * np.geomspace(10, 500, 200)  # far below the Nyquist frequency both equal the analog ones
    top, shelf, high = 10 ** (3.99984 / 20), 2 * np.pi * 1681.97, 2 * np.pi * 38.135
    middle = top**0.4996667741545416
    analog = (top * w**2 + middle * shelf / 0.70718 * w + shelf**2) / (w**2 + shelf / 0.70718 * w + shelf**2)
    analog *= w**2 / (w**2 + high / 0.50033 * w + high**2)
    found = level_db(48000, np.abs(w) / (2 * np.pi))
    assert np.ptp(found - 20 * np.log10(np.abs(analog))) < 0.005
    assert level_db(48000, np.array([23999.0]), slice(0, 1))[0] == pytest.approx(3.99984, abs=1e-4)


@pytest.mark.parametrize("rate", [8000, 44100, 48000, 192000])
def test_the_pass_band_of_the_high_pass_is_kept(rate):
    """The printed numerator 1, -2, 1 leaves +0.0433 dB there, at every rate."""
    assert level_db(rate, np.array([0.4999 * rate]), slice(1, 2))[0] == pytest.approx(
        0.0433, abs=0.0002 if rate > 8000 else 0.004
    )
