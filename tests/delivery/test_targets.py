"""Loudness targets and peaks are met, or the miss is reported."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.delivery.meters import measured_with_another_meter
from tests.signals import drums
from tests.songs import WHOLE, render_main


def test_target_is_met_and_true_peak_holds(session):
    _, _, result = render_main(session.write(WHOLE))
    measured = result.deliveries[0].measured
    assert measured.integrated_lufs == pytest.approx(-20, abs=0.02)
    assert measured.true_peak_dbtp <= -1
    assert not result.failures


def test_a_gain_that_lifts_blocks_over_the_absolute_gate_still_meets_the_target(session):
    rng = np.random.default_rng(0)
    quiet = np.concatenate(
        [10 ** (-69 / 20) * rng.standard_normal(480000), 10 ** (-75.5 / 20) * rng.standard_normal(480000)]
    )
    soundfile.write("quiet.wav", quiet, 48000, subtype="FLOAT")
    path = session.write(
        'grammar = 1\n[stems.a]\nfile = "quiet.wav"\n[[deliver]]\nfile = "mix.wav"\ntarget_lufs = -20\n'
    )
    _, _, result = render_main(path)
    assert result.deliveries[0].measured.integrated_lufs == pytest.approx(-20, abs=0.05)


def test_a_target_for_silence_fails(session, chainrun):
    path = session.write(
        'grammar = 1\n[stems.a]\nfile = "kick.wav"\nmute = true\n[[deliver]]\nfile = "mix.wav"\ntarget_lufs = -16\n'
    )
    ran = chainrun("render", path, "-o", "out")
    assert (ran.code, "cannot be met" in ran.err) == (1, True)


def test_a_target_out_of_reach_is_reported_and_the_file_kept(session, chainrun):
    path = session.write(WHOLE.replace("target_lufs = -20", "target_lufs = -3"))
    ran = chainrun("render", path, "-o", "out")
    assert ran.code == 1
    assert "LU short of the target -3 LUFS" in ran.err
    assert Path("out/mix.wav").exists()


RATE = 48000


def test_a_public_standard_by_its_name(mix):
    # EBU R 128 v4 (August 2020): -23 LUFS, -1 dBTP.
    record, ran = mix('standard = "EBU R 128"')
    assert ran.code == 0
    assert record["measured"]["integrated_lufs"] == pytest.approx(-23, abs=0.01)
    assert record["measured"]["true_peak_dbtp"] <= -1


@pytest.mark.parametrize("target", [-16.0, -12.0])
@pytest.mark.parametrize("bits", [16, 24])
def test_a_limiter_brings_both_the_target_and_the_peak(mix, target, bits):
    record, ran = mix(f'target_lufs = {target}\nmax_dbtp = -1\nfit = "limiter"\nbits = {bits}')
    assert ran.code == 0, ran.err
    found = measured_with_another_meter("out/mix.wav")
    assert found.integrated_lufs == pytest.approx(target, abs=0.05)
    assert found.true_peak_dbtp <= -1 + 0.1
    assert record["limited_max_db"] > 1


def test_a_target_out_of_reach_is_reported_and_not_chased(mix):
    """A sparse click train under a ceiling of -20 dBTP never has -14 LUFS: no gain of a hundred dB is tried."""
    clicks = np.zeros((2, RATE * 4))
    clicks[:, ::RATE] = 0.5
    record, ran = mix('target_lufs = -14\nmax_dbtp = -20\nfit = "limiter"', stem=clicks)
    assert ran.code == 1
    assert "no gain before the limiter reaches the target" in ran.json["failures"][0]
    assert record["gain_db"] < 60


@pytest.mark.parametrize(
    "lines",
    [
        'layout = "mono"',
        "rate_hz = 44100",
        'fit = "limiter"\nmax_dbtp = -1',
        "fade_in_s = 1\nfade_out_s = 1",
        "from_s = 1\nto_s = 5",
    ],
)
def test_a_stretch_has_the_gain_of_its_whole_delivery(session, chainrun, lines):
    x = np.stack([drums(RATE * 6, seed=1), drums(RATE * 6, seed=2)]) * 0.3 * np.linspace(0.1, 1, RATE * 6)
    soundfile.write("stem.wav", x.T, RATE, subtype="PCM_24")
    path = session.write(
        f'grammar = 1\n[stems.a]\nfile = "stem.wav"\n[[deliver]]\nfile = "mix.wav"\nbits = 32\ntarget_lufs = -20\n{lines}\n'
    )
    whole = chainrun("render", path, "-o", "out", "--json").json["deliveries"][0]
    ran = chainrun("render", path, "-o", "out", "--from", 2, "--to", 4, "--json")
    assert ran.code == 0, ran.err
    assert ran.json["deliveries"][0]["gain_db"] == pytest.approx(whole["gain_db"], abs=1e-6)
    a, rate = soundfile.read("out/mix.wav", always_2d=True)
    b, _ = soundfile.read("out/mix.2-4s.wav", always_2d=True)
    begin = int((2 - (1 if "from_s" in lines else 0)) * rate)
    inner = slice(rate // 2, -rate // 2)  # at a stretch's ends converter and limiter have other neighbours
    assert np.abs(a[begin : begin + len(b)][inner] - b[inner]).max() < 1e-4


def test_the_limiters_work_is_shown(mix, chainrun):
    mix('target_lufs = -12\nmax_dbtp = -1\nfit = "limiter"')
    ran = chainrun("render", "song.recipe.toml", "-o", "out")
    assert "mix.wav: limiting takes off" in ran.out


def test_a_gain_alone_stops_at_the_peak_and_says_so(mix):
    record, ran = mix("target_lufs = -9\nmax_dbtp = -1")
    assert ran.code == 1
    assert record["shortfall_lu"] > 1
    assert record["measured"]["true_peak_dbtp"] <= -1
    assert record["limited_max_db"] is None
