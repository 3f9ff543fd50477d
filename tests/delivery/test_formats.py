"""Formats of a delivery: rates, folds, fades, parts, lossy files, and impossible combinations."""

from __future__ import annotations

import json

import numpy as np
import pytest
import soundfile

from tests.delivery.meters import measured_with_another_meter
from tests.signals import noise, sine

RATE = 48000


@pytest.mark.parametrize("rate", [44100, 96000])
def test_another_rate(mix, rate):
    x = sine(997, 4, -20)
    _, ran = mix(f"rate_hz = {rate}\nbits = 32", stem=np.stack([x, x]))
    assert ran.code == 0
    y, found = soundfile.read("out/mix.wav")
    assert (found, len(y)) == (rate, round(4 * rate))
    t = np.arange(len(y)) / rate
    inside = slice(rate // 2, -rate // 2)
    assert np.abs(y[:, 0] - 0.1 * np.sin(2 * np.pi * 997 * t))[inside].max() < 1e-5


def test_a_mono_fold_by_its_law(mix):
    left, right = noise(RATE, 0.1, seed=1), noise(RATE, 0.1, seed=2)
    for law in (-6.0, -3.0):
        _, ran = mix(f'layout = "mono"\nmono_law_db = {law}\nbits = 32', stem=np.stack([left, right]))
        assert ran.code == 0
        y, _ = soundfile.read("out/mix.wav")
        assert y.ndim == 1
        assert np.abs(y - 10 ** (law / 20) * (left + right)).max() < 1e-6


def test_a_part_with_fades(mix):
    ones = np.full((2, RATE * 4), 0.25)
    _, ran = mix("from_s = 1.0\nto_s = 3.0\nfade_in_s = 0.5\nfade_out_s = 0.5\nbits = 32", stem=ones)
    assert ran.code == 0
    y, _ = soundfile.read("out/mix.wav")
    assert len(y) == 2 * RATE
    assert (y[0, 0], y[-1, 0]) == (0, 0)
    assert y[RATE // 4, 0] == pytest.approx(0.125, abs=1e-6)
    assert y[RATE, 0] == 0.25
    assert np.abs(np.diff(y[:, 0])).max() < 1e-4


@pytest.mark.parametrize("ending", ["ogg", "mp3"])
def test_lossy_formats_hold_the_peak_after_decoding(mix, ending):
    record, ran = mix('target_lufs = -14\nmax_dbtp = -1\nfit = "limiter"', file=f"mix.{ending}")
    assert ran.code == 0, ran.err
    found = measured_with_another_meter(f"out/mix.{ending}")
    assert found.true_peak_dbtp <= -1 + 0.1
    assert record["measured"]["integrated_lufs"] == pytest.approx(found.integrated_lufs, abs=0.01)
    assert found.integrated_lufs == pytest.approx(-14, abs=0.1)
    assert soundfile.info(f"out/mix.{ending}").format == ending.upper()


def test_ogg_of_ten_minutes_does_not_crash(mix):
    """libsndfile 1.2.2 crashes on long blocks of Vorbis; it gets short ones."""
    minute = np.stack([noise(RATE * 60, 0.05)] * 2)
    _, ran = mix("", file="mix.ogg", stem=np.tile(minute, 10))
    assert ran.code == 0
    assert soundfile.info("out/mix.ogg").duration == pytest.approx(600, abs=0.1)


@pytest.mark.parametrize(
    ("lines", "file", "said"),
    [
        ("rate_hz = 96000", "mix.mp3", "up to 48000"),
        ("bext = true", "mix.flac", "bext needs a .wav file"),
        ("from_s = 3\nto_s = 2", "mix.wav", "to_s must be later than from_s"),
        ('fit = "limiter"', "mix.wav", "needs target_lufs"),
        ('standard = "LOUD"', "mix.wav", "EBU R 128"),
    ],
)
def test_deliveries_that_cannot_be(mix, lines, file, said):
    _, ran = mix(lines, file=file)
    assert (ran.code, said in json.dumps(ran.json)) == (3, True)


def test_mp3_at_a_rate_that_it_does_not_know(session, chainrun):
    path = session.write('grammar = 1\nrate_hz = 96000\n[stems.a]\nfile = "kick.wav"\n[[deliver]]\nfile = "a.mp3"\n')
    ran = chainrun("check", path)
    assert (ran.code, "does not support this rate" in ran.err, ":6:" in ran.err) == (3, True, True)


def test_a_delivery_after_the_end_is_refused(mix):
    _, ran = mix("from_s = 60")
    assert (ran.code, "after the session's end" in ran.err) == (3, True)
