"""The true-peak interpolator beside the printed coefficients."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from chainrun.dsp.true_peak import Interpolator
from tests.loudness.reading import read
from tests.signals import drums, noise

RATE = 48000


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
