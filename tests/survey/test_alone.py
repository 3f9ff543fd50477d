"""One file surveyed alone: clipping, dropouts, hum, bandwidth, silence.

Arrival: the truth is distance over the speed of sound (343.2 m/s, ISO 9613-1). The rule of three to one, a pad
forgotten before the converter, mains frequencies: common practice.
"""

from __future__ import annotations

import shutil

import numpy as np
import pytest
import soundfile
from scipy import signal

from chainrun.survey.advice import advice
from chainrun.survey.alone import Runs
from chainrun.survey.channels import of_folder
from chainrun.survey.survey import survey
from tests.signals import noise
from tests.survey.sounds import CASES, DEMO, RATE, alone, files


def test_runs_over_blocks():
    holds = np.array([0, 1, 1, 1, 0, 1, 1, 1, 1, 1, 0, 1, 1, 1], dtype=bool)
    for size in (1, 2, 3, 5, 14):
        runs, sizes = Runs(3), np.arange(holds.size) / 100
        for at in range(0, holds.size, size):
            runs.feed(holds[at : at + size], sizes[at : at + size])
        runs.end()
        assert (runs.begins, runs.lengths) == ([1, 5, 11], [3, 5, 3])
        assert runs.entries == [0.0, 0.04, 0.1]


def test_flat_tops_below_full_scale():
    """A pad forgotten before the converter: waves are cut at -4 dBFS. Undamaged sound has no such runs."""
    rng = np.random.default_rng(2)
    t = np.arange(5 * RATE) / RATE
    hits = sum(np.sin(2 * np.pi * f * t) for f in (61, 147, 312)) * np.exp(-(t % 0.4) / 0.08) * 0.4
    hits += 0.001 * rng.standard_normal(t.size)
    for bits in (16, 24):
        steps = 2 ** (bits - 1)
        cut = np.round(np.clip(hits, -0.631, 0.631) * steps) / steps
        whole = np.round(hits * steps) / steps
        assert alone(cut).flat_level_dbfs == pytest.approx(-4.0, abs=0.05)
        assert alone(whole).flat_level_dbfs is None
    low = np.round(np.sin(2 * np.pi * 50 * t) * 0.3 * 32768) / 32768  # rounded by nature, a steady tone of 16 bits
    assert alone(low).flat_level_dbfs is None


def test_dropouts():
    x = noise(3 * RATE, 0.1)
    assert alone(x).dropouts_at_s == ()
    x[70000:70200] = 0
    x[131000:131400] = 0  # over the border of two blocks
    assert alone(x).dropouts_at_s == pytest.approx((70000 / RATE, 131000 / RATE), abs=1e-3)
    x[:10000] = 0
    x[-5000:] = 0  # silence at both ends is none
    assert len(alone(x).dropouts_at_s) == 2


@pytest.mark.parametrize("mains", [50, 60])
def test_hum_is_distinguished_from_music(mains):
    t = np.arange(8 * RATE) / RATE
    hum = sum(10 ** (level / 20) * np.sin(2 * np.pi * mains * k * t + k) for k, level in ((1, -50), (2, -62), (3, -56)))
    found = alone(hum + noise(t.size, 1e-4)).hum
    assert found.mains_hz == mains
    assert found.levels_dbfs[:3] == pytest.approx((-50, -62, -56), abs=1)
    bass = 0.2 * np.sin(2 * np.pi * np.repeat([41.2, 49.0, 55.0, 98.0], 2 * RATE) * t)  # E, G, A, G
    assert alone(bass + noise(t.size, 1e-4)).hum is None
    assert alone(noise(t.size, 0.1)).hum is None


def test_a_lossy_copys_bandwidth():
    x = noise(4 * RATE, 0.1)
    assert alone(x).bandwidth_hz is None
    cut = signal.sosfiltfilt(signal.ellip(10, 0.1, 80, 15500, fs=RATE, output="sos"), x)
    assert alone(cut).bandwidth_hz == pytest.approx(15800, abs=500)
    soft = signal.sosfilt(signal.butter(2, 6000, fs=RATE, output="sos"), x)  # a dark microphone
    assert alone(soft).bandwidth_hz is None


def test_sounds_that_do_not_clip(tmp_path):
    """Float files over full scale, and slow waves whose tops are rounded by 16 bits."""
    t = np.arange(3 * RATE) / RATE
    hot = 1.9 * np.exp(-t) * np.sin(2 * np.pi * 200 * t)
    assert (alone(hot).clipped_runs, alone(hot).flat_level_dbfs) == (0, None)
    bass = np.round(np.sin(2 * np.pi * 41.2 * t) * 32767) / 32768
    assert alone(bass, full_scale=1 - 1.5 / 32768).clipped_runs == 0
    cut = np.clip(1.2 * np.sin(2 * np.pi * 41.2 * t), -1, 1)
    assert alone(cut).clipped_runs == 247 or alone(cut).clipped_runs == 248
    square = 0.3 * np.sign(np.sin(2 * np.pi * 110 * t))
    assert alone(square).flat_level_dbfs is None


def test_sounds_without_hum_and_without_a_cut():
    t = np.arange(8 * RATE) / RATE
    organ = sum(0.1 / k * np.sin(2 * np.pi * 100 * k * t) for k in (1, 2, 3))
    assert alone(organ + noise(t.size, 1e-4)).hum is None
    bells = sum(np.exp(-(t % 0.5) * 6) * np.sin(2 * np.pi * hz * t) for hz in (2100, 5300, 7900)) * 0.1
    assert alone(bells + noise(t.size, 1e-5)).bandwidth_hz is None


NASTY = {
    "kit": 1,
    "main": 1,
    "kick \N{DRUM WITH DRUMSTICKS}": 1,
    'say "so"': 1,
    "keys": 1,
    "voice": 1,
    "OH": 1,
    "room": 1,
    "guitar": 2,
    "fiddle": 1,
}


def test_drafts_of_nasty_names_and_mono_everything(tmp_path, chainrun):
    folder = tmp_path / "odd dir"
    folder.mkdir()
    for k, (name, channels) in enumerate(NASTY.items()):
        soundfile.write(
            folder / f"{name}.wav", np.stack([noise(RATE, 0.1, seed=k)] * channels).T, RATE, subtype="PCM_24"
        )
    ran = chainrun("draft", folder)
    assert ran.code == 0
    recipe = folder / "odd dir.recipe.toml"
    assert f"chainrun render '{recipe}'" in ran.out
    checked = chainrun("check", recipe)
    assert checked.code == 0, checked.err
    assert chainrun("render", recipe, "-o", tmp_path / "out", "--quiet").code == 0


def test_tiny_and_quiet_files(tmp_path, chainrun):
    files(tmp_path, {"kick": np.array([0.1] * 5), "snare": np.array([0.2] * 10)})
    assert chainrun("survey", tmp_path).code == 0
    quiet = tmp_path / "quiet"
    quiet.mkdir()
    files(quiet, {"bass": noise(2 * RATE, 1e-4), "voice": noise(2 * RATE, 1e-4, seed=2)})
    assert chainrun("draft", quiet).code == 0
    text = next(quiet.glob("*.recipe.toml")).read_text()
    assert text.count("was it plugged in?") == 2


def test_unrelated_sounds_have_no_arrivals(tmp_path, chainrun):
    files(tmp_path, CASES["no common source"])
    ran = chainrun("survey", tmp_path, "--json")
    assert not [one for one in ran.json["advice"] if one["about"] in ("arrival", "unsure")]


def test_without_a_far_microphone_only_second_ones_are_aligned(tmp_path, chainrun):
    for name in ("kick", "snare_top", "snare_under", "hat"):
        shutil.copy(DEMO / f"{name}.flac", tmp_path)
    overlay = tmp_path / "x.overlay.toml"
    assert chainrun("survey", tmp_path, "--write", overlay, "--align", "close").code == 0
    text = overlay.read_text()
    assert text.count("shift_samples") == 1
    assert "[stems.snare_under]" in text.split("shift_samples")[0].splitlines()[-2] or "snare_under" in text


def test_copies_are_found(tmp_path):
    x = noise(RATE, 0.1)
    for name, y in (("guitar", x), ("guitar_2", x), ("voice", -x), ("keys", noise(RATE, 0.1, seed=2))):
        soundfile.write(tmp_path / f"{name}.wav", y, RATE, subtype="PCM_24")
    soundfile.write(tmp_path / "piano.wav", np.stack([noise(RATE, 0.1, seed=3)] * 2).T, RATE)
    told_of = {(one.stem, one.about) for one in advice(survey(of_folder(tmp_path)))}
    assert {("guitar_2", "copy"), ("voice", "flipped_copy"), ("piano", "mono")} <= told_of
    assert not {one for one in told_of if one[0] == "keys"}


def _plucked(rng, seconds, low=36.0, high=110.0):
    """A bass that plays throughout: notes of equal temperament, each with ten partials that decay slowly."""
    n, at, x = int(seconds * RATE), 0, np.zeros(int(seconds * RATE))
    while at < n:
        length = int(rng.choice([0.3, 0.45, 0.6, 0.9]) * RATE)
        hz = low * 2 ** (rng.integers(0, 19) / 12)
        u = np.arange(min(length + RATE // 20, n - at)) / RATE
        decay = np.exp(-u / 2.0) * np.minimum(1.0, (length / RATE - u).clip(0) / 0.02 + 1e-3)
        x[at : at + u.size] += decay * sum(
            np.sin(2 * np.pi * hz * k * u * (1 + 1e-4 * k) + rng.uniform(0, 6)) / k**1.2 for k in range(1, 11)
        )
        at += length
    return 0.2 * x / np.abs(x).max()


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("mains", [50.0, 59.97])
def test_hum_is_found_while_a_bass_plays_throughout(seed, mains):
    """Seeds other than those it was tuned on (101 to 104). Missed in 4 of 8 sessions before."""
    rng = np.random.default_rng(seed)
    bass = _plucked(rng, 30.0)
    t = np.arange(bass.size) / RATE
    hum = sum(10 ** (level / 20) * np.sin(2 * np.pi * mains * k * t + k) for k, level in ((1, -46), (2, -58), (3, -52)))
    found = alone(bass + hum + noise(t.size, 1e-4)).hum
    assert found is not None
    assert found.mains_hz == round(mains)
    assert alone(bass + noise(t.size, 1e-4)).hum is None
