"""Two sounds a fraction of a sample apart are matched until nothing is left."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from chainrun.comparison.difference import difference
from tests.signals import noise
from tests.steps import RATE


@pytest.mark.parametrize("late", [0.25, 0.5, 17.3])
def test_a_fraction_of_a_sample_leaves_nothing_in_the_residual(tmp_path, late):
    """White noise to the Nyquist frequency, shifted by the transform; once a rest near the top stayed."""
    x = noise(10 * RATE, 0.1)
    spectrum = np.fft.rfft(x)
    k = np.arange(spectrum.size) / x.size
    spectrum[k > 0.488] = 0.0
    moved = np.fft.irfft(spectrum * np.exp(-2j * np.pi * k * late), x.size)
    plain = np.fft.irfft(spectrum, x.size)
    for name, y in (("a", plain), ("b", moved)):
        soundfile.write(tmp_path / f"{name}.wav", y, RATE, subtype="FLOAT")
    found = difference(tmp_path / "a.wav", tmp_path / "b.wav")
    assert found.offset_frames == pytest.approx(late, abs=0.01)
    assert found.residual_lu < -60.0
