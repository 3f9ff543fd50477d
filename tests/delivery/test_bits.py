"""Bits of a delivery: dither, clipping, exact samples, the same bytes twice."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from chainrun.dsp.dither import Quantiser
from tests.songs import render_main


def test_clipped_integers_are_always_reported(session, chainrun):
    path = session.write('grammar = 1\n[stems.a]\nfile = "kick.wav"\ntrim_db = 30\n')
    ran = chainrun("render", path, "-o", "out")
    assert ran.code == 1
    assert "were clipped" in ran.err


def test_dither_makes_the_published_noise_floor(session):
    # Lipshitz, Wannamaker, Vanderkooy, JAES 40(5), 1992: TPDF error variance q^2/4; -93.32 dB re full-scale sine.
    soundfile.write("quiet.wav", np.full(96000, 1e-9), 48000, subtype="FLOAT")
    path = session.write('grammar = 1\n[stems.a]\nfile = "quiet.wav"\n[[deliver]]\nfile = "mix.wav"\nbits = 16\n')
    x, _, _ = render_main(path)
    assert 10 * np.log10(np.mean(x**2)) + 3.0103 == pytest.approx(-93.32, abs=0.1)


@pytest.mark.parametrize("file", ["mix.wav", "mix.flac"])
def test_the_same_bytes_twice_and_exact_samples(mix, file):
    lines = 'sidecar = true\ntags = { title = "Reel", comment = "take 3" }' + ("\nbext = true" if "wav" in file else "")
    first, _ = mix(lines, file=file)
    data = Path(f"out/{file}").read_bytes()
    second, _ = mix(lines, file=file)
    assert Path(f"out/{file}").read_bytes() == data
    assert first["pcm_sha256"] == second["pcm_sha256"]
    x, _ = soundfile.read(f"out/{file}", dtype="int32")
    assert not (x & 0xFF).any()  # 24 bits, exactly
    side = json.loads(Path("out/mix.json").read_text())
    assert side["pcm_sha256"] == first["pcm_sha256"]
    assert side["measured"]["integrated_lufs"] == first["measured"]["integrated_lufs"]
    assert soundfile.SoundFile(f"out/{file}").comment == "take 3"


@pytest.mark.parametrize(("bits", "published"), [(16, -93.32), (24, -141.48)])
def test_the_noise_floor_of_dithered_silence(bits, published):
    # TPDF two steps wide: q^2 / 4 (Lipshitz, Wannamaker, Vanderkooy, JAES 40(5), 1992), re a full-scale sine.
    steps = Quantiser(bits, dither=True, seed=1).run(np.zeros((1, 2_000_000)))
    rms = np.std(steps / 2 ** (bits - 1))
    assert 20 * np.log10(rms / np.sqrt(0.5)) == pytest.approx(published, abs=0.1)


def test_the_first_two_moments_of_the_error_do_not_depend_on_the_signal():
    for level in (0.0, 0.25, 0.5, 0.77):
        x = np.full((1, 1_000_000), level / 32768)
        error = Quantiser(16, dither=True, seed=2).run(x)[:, 0] - level
        assert error.mean() == pytest.approx(0, abs=0.003)
        assert error.var() == pytest.approx(0.25, abs=0.002)
    plain = Quantiser(16, dither=False, seed=2).run(np.full((1, 1000), 0.25 / 32768))[:, 0] - 0.25
    assert plain.mean() == pytest.approx(-0.25)  # without dither it does
