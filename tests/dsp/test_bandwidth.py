"""Notches and band-passes are as wide as their q says."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from chainrun.dsp import biquad
from tests.steps import RATE


@pytest.mark.parametrize("q", [2.0, 4.0, 10.0, 30.0])
@pytest.mark.parametrize("share", [0.02, 0.2, 0.375, 0.6, 0.8])
def test_notch_and_band_pass_hold_the_bandwidth_that_q_says(q, share):
    """freq / q between the points at -3 dB, up to 0.8 of the Nyquist frequency; once 22 % too narrow at 9 kHz."""
    freq = share * RATE / 2
    if freq * (1 + 0.5 / q) > 0.97 * RATE / 2:
        pytest.skip("the band does not fit under the Nyquist frequency")
    for make, inside in (
        (biquad.notch_of_width, lambda m: m <= np.sqrt(0.5)),
        (biquad.band_pass_of_width, lambda m: m >= np.sqrt(0.5)),
    ):
        hz = np.linspace(freq - 2 * freq / q, min(freq + 2 * freq / q, RATE / 2 - 1), 400_001).clip(0.01)
        _, response = signal.sosfreqz(make(freq, q, RATE)[None], hz, fs=RATE)
        at = np.flatnonzero(inside(np.abs(response)))
        assert hz[at[-1]] - hz[at[0]] == pytest.approx(freq / q, rel=0.005)
        assert (
            abs(np.log10(np.abs(response[np.abs(hz - freq).argmin()]) + 1e-12)) > 2 or make is biquad.band_pass_of_width
        )
