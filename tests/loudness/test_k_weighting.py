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


@pytest.mark.parametrize("rate", [44100, 88200, 96000, 192000])
def test_other_rates_have_the_same_response(rate):
    # BS.1770-5: other rates "shall give the same frequency response"; within 0.01 dB to 10 kHz.
    freqs = np.geomspace(20, 10000, 100)
    _, ours = signal.sosfreqz(k_weighting(rate), freqs, fs=rate)
    _, printed = signal.sosfreqz(k_weighting(48000), freqs, fs=48000)
    limit = 0.01 if rate != 44100 else 0.02
    deviation = np.abs(20 * np.log10(np.abs(ours) / np.abs(printed)))
    assert deviation[freqs <= 4000].max() < limit


@pytest.mark.parametrize("rate", [8000, 11025, 16000, 22050, 32000, 44100, 88200, 96000, 176400, 192000])
def test_every_rate_has_the_response_of_48_khz(rate):
    # BS.1770-5 Annex 1: other rates "shall give the same frequency response".
    freqs = np.geomspace(20, min(20000, 0.45 * rate), 500)
    _, ours = signal.sosfreqz(k_weighting(rate), freqs, fs=rate)
    _, printed = signal.sosfreqz(k_weighting(48000), freqs, fs=48000)
    assert np.abs(20 * np.log10(np.abs(ours) / np.abs(printed))).max() < (0.02 if rate == 8000 else 0.01)
