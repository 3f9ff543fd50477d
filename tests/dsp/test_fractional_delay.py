"""Delays by a fraction of a sample are right to 20 kHz."""

from __future__ import annotations

import numpy as np
import pytest

import chainrun.processors  # noqa: F401
from chainrun.dsp.fractional_delay import sinc_taps
from tests.steps import RATE


@pytest.mark.parametrize("fraction", [0.1, 0.25, 0.5, 0.9])
def test_fractional_delay_is_right_to_20_khz(fraction):
    taps = sinc_taps(fraction)
    w = 2 * np.pi * np.linspace(100, 20000, 200) / RATE
    response = np.exp(-1j * np.outer(w, np.arange(taps.size))) @ taps
    delay = -np.unwrap(np.angle(response * np.exp(1j * w * 31))) / w
    assert np.abs(delay - fraction).max() < 0.001  # frames
    assert np.abs(20 * np.log10(np.abs(response))).max() < 0.01
