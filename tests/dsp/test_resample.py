"""Rate conversion keeps time, level and purity, whatever the blocks."""

from __future__ import annotations

import numpy as np
import pytest

import chainrun.processors  # noqa: F401
from chainrun.dsp.resample import Resampler
from tests.signals import in_pieces, noise, sine


@pytest.mark.parametrize(("source", "target"), [(44100, 48000), (48000, 44100), (96000, 48000), (48000, 44101)])
def test_conversion_keeps_time_level_and_purity(source, target):
    for freq in (100.0, 997.0, 12000.0, 19000.0):
        x = sine(freq, 0.6, -6, source)
        y = Resampler(source, target, 1).run(x[None], last=True)[0]
        t = np.arange(int(0.6 * target)) / target
        expected = 10 ** (-6 / 20) * np.sin(2 * np.pi * freq * t)
        middle = slice(target // 10, target // 2)
        error = np.abs(y[: t.size] - expected)[middle].max()
        assert error < (1e-3 if freq > 15000 else 2e-5), (freq, error)


@pytest.mark.parametrize(("source", "target"), [(44100, 48000), (48000, 44100)])
def test_conversion_is_flat_and_pure_to_20_khz(source, target):
    """The figures of dsp/resample.py: within 0.01 dB, nothing but the tone above -100 dB."""
    window = np.kaiser(target, 20)
    for freq in (1000, 12000, 20000):
        y = Resampler(source, target, 1).run(sine(freq, 1.2, 0, source)[None], last=True)[0]
        spectrum = np.abs(np.fft.rfft(y[target // 10 : target // 10 + target] * window)) * 2 / window.sum()
        assert 20 * np.log10(spectrum[freq]) == pytest.approx(0, abs=0.01)
        spectrum[freq - 12 : freq + 13] = 0
        assert 20 * np.log10(spectrum.max()) < -100


def test_conversion_does_not_depend_on_the_blocks():
    x = noise(20000)[None]
    whole = Resampler(44100, 48000, 1).run(x, last=True)
    kernel, parts = Resampler(44100, 48000, 1), []
    pieces = list(in_pieces(x, [999, 4096, 1]))
    for i, piece in enumerate(pieces):
        parts.append(kernel.run(piece, last=i == len(pieces) - 1))
    assert np.abs(np.concatenate(parts, axis=1)[:, :21000] - whole[:, :21000]).max() < 1e-12
