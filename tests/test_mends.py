"""What walks through the whole product found wrong in the processors, held so that it stays mended."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal

from chainrun.comparison.difference import difference
from chainrun.dsp import biquad
from tests.signals import noise
from tests.space.parts import STEP, run

RATE = 48000


@pytest.mark.parametrize("q", [2.0, 4.0, 10.0, 30.0])
@pytest.mark.parametrize("share", [0.02, 0.2, 0.375, 0.6, 0.8])
def test_notch_and_band_pass_hold_the_bandwidth_that_q_says(q, share):
    """freq / q between the points at -3 dB, up to 0.8 of the Nyquist frequency; 22 % narrow at 9 kHz before."""
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


@pytest.mark.parametrize(
    ("knee_db", "below_db", "ratio"), [(0, 20, 4), (6, 20, 4), (12, 3, 2), (24, 6, 8), (24, 12, 8), (60, 10, 3)]
)
def test_auto_makeup_counts_the_knee(knee_db, below_db, ratio):
    """Half of what a steady 0 dBFS loses by the static curve, knee and all (JAES 60(6), 2012, eq. 4)."""
    numbers = {"do": "compressor", "threshold_db": -float(below_db), "ratio": ratio, "knee_db": knee_db}
    x = np.full((1, RATE), 1.0)
    settled = {"attack_ms": 0.1, "release_ms": 10.0}
    lost = -20 * np.log10(run(x, **numbers, **settled)[0, -1])
    step = STEP.validate_python({**numbers, "makeup": "auto"})
    assert step.makeup_gain_db(-float(below_db)) == pytest.approx(lost / 2, abs=0.01)


@pytest.mark.parametrize(
    ("low", "high", "most"), [(1000, 20000, 0.1), (20000, 22000, 0.1), (22000, 23000, 0.5), (23000, 23900, 2.6)]
)
def test_the_limiter_holds_what_its_help_says(low, high, most):
    """Read at 16 times the rate by a transform of the whole, the ideal interpolator (closed form)."""
    rng = np.random.default_rng(11)
    t = np.arange(RATE) / RATE
    x = sum(np.sin(2 * np.pi * rng.uniform(low, high) * t + rng.uniform(0, 6)) for _ in range(5))
    x = x * np.interp(np.arange(RATE), np.linspace(0, RATE, 21), rng.uniform(0.2, 1.0, 21))
    y = run(x[None], do="limiter", ceiling_dbtp=-3.0)[0]
    spectrum = np.zeros(8 * y.size + 1, dtype=complex)
    spectrum[: y.size // 2 + 1] = np.fft.rfft(y)
    between = np.fft.irfft(spectrum, 16 * y.size)[16 * 2000 : -16 * 2000] * 16
    assert 20 * np.log10(np.abs(between).max()) <= -3.0 + most


@pytest.mark.parametrize("late", [0.25, 0.5, 17.3])
def test_a_fraction_of_a_sample_leaves_nothing_in_the_residual(tmp_path, late):
    """White noise to the Nyquist frequency, moved by the transform: what the interpolator could not carry stayed."""
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


def test_linear_phase_tells_its_real_latency():
    text = " ".join(
        type(
            STEP.validate_python({"do": "eq", "bands": [{"kind": "bell", "freq_hz": 1000, "gain_db": 0}]})
        ).__doc__.split()
    )
    assert "0.24 to 0.27 s in all for wide bands, 0.5 s for a bell of 15 Hz width, 1 s for one of 5 Hz" in text
    from chainrun.contract import Stream

    for rate, freq, q, low, high in ((44100, 1000, 1, 0.24, 0.271), (48000, 1000, 1, 0.24, 0.271), (96000, 1000, 1, 0.24, 0.271), (48000, 60, 4, 0.45, 0.55), (48000, 40, 8, 0.9, 1.1)):  # fmt: skip
        step = STEP.validate_python(
            {"do": "eq", "phase": "linear", "bands": [{"kind": "bell", "freq_hz": freq, "gain_db": 3, "q": q}]}
        )
        assert low <= step.start(Stream(rate, 1)).latency_frames / rate <= high


def test_names_of_files_are_where_they_should_be():
    assert not Path("recipes/presets/kick/above-shell.preset.toml").exists()
