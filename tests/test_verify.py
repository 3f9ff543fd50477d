"""verify, compare, sweep and the pytest plugin.

Quantities are held against ones computed here by NumPy and SciPy; that a residual 60 LU under the mix is masked, and
that steps of 0.1 dB are not heard, is common practice. Annotations are escaped as the workflow commands of hosted
CI runners document it (%, CR and LF; in properties also `:` and `,`).
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import textwrap
import tomllib
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal

from chainrun.comparison.difference import difference
from chainrun.comparison.limits import Floor
from chainrun.comparison.verdict import where_in_bands, where_in_time
from chainrun.dsp.sketch import Sketch, energies_apart
from chainrun.errors import AudioError
from chainrun.recipe import Overrides, open_recipe
from chainrun.verify import baseline
from chainrun.verify.run import VerifyOptions, verify
from tests.bench import verifier
from tests.signals import drums, noise

pytest_plugins = ["pytester"]
ROOT = Path(__file__).parent.parent
RATE = 48000
SONG = """recipe = 1
[stems.kick]
file = "kick.wav"
to = "kit"
chain = [ { do = "compressor", name = "squash", threshold_db = -20, ratio = 4 } ]
[stems.snare]
file = "snare.wav"
to = "kit"
chain = [ { do = "eq", bands = [ { kind = "bell", freq_hz = 900, gain_db = 3 } ] } ]
[buses.kit]
level_db = -6
[[deliver]]
file = "mix.wav"
bits = 24
[expect]
sample_peak_dbfs = { at_most = -1 }
"stems.kick.chain.squash.gain_reduction_max_db" = { from = 1, to = 30 }
"""


@pytest.fixture(autouse=True)
def no_ci(monkeypatch):
    monkeypatch.delenv("CI", raising=False)


@pytest.fixture
def song(session):
    return session.write(SONG)


# -- sketches and differences ------------------------------------------------------------------------------------


@pytest.mark.parametrize("level_db", [-20, -60, -100])
def test_a_sketch_tells_how_far_two_sounds_are_apart(level_db):
    x = np.stack([noise(20 * RATE, 0.1, seed=1), noise(20 * RATE, 0.1, seed=2)])
    apart = 10 ** (level_db / 20) * np.stack([noise(20 * RATE, 0.1, seed=3), noise(20 * RATE, 0.1, seed=4)])
    sketches = []
    for y, size in ((x, 77_777), (x + apart, 5_000)):
        sketch = Sketch(RATE, 2)
        for at in range(0, y.shape[1], size):
            sketch.feed(y[:, at : at + size])
        sketches.append(sketch.result())
    found = 10 * np.log10(energies_apart(*sketches).sum() / np.sum(apart**2))
    assert found == pytest.approx(0, abs=1.5)  # 320 degrees of freedom: a standard deviation of 0.35 dB


def write(path, x, rate=RATE, subtype="FLOAT"):
    soundfile.write(path, np.atleast_2d(x).T, rate, subtype=subtype)
    return path


def test_a_difference_is_what_was_added(tmp_path):
    """White noise 40 dB under white noise from 3.0 to 5.0 s: the residual by hand."""
    x = np.stack([noise(8 * RATE, 0.1, seed=1), noise(8 * RATE, 0.1, seed=2)])
    y = x.copy()
    y[:, 3 * RATE : 5 * RATE] += 0.01 * np.stack([noise(2 * RATE, 0.1, seed=5), noise(2 * RATE, 0.1, seed=6)])
    found = difference(write(tmp_path / "a.wav", x), write(tmp_path / "b.wav", y), match=False)
    assert found.residual_dbfs == pytest.approx(20 * np.log10(np.sqrt(np.mean((x - y) ** 2))), abs=0.01)
    assert found.residual_lu == pytest.approx(-40 + 10 * np.log10(2 / 8), abs=0.3)
    loud = [i for i, level in enumerate(found.by_second_lu) if level > -60]
    assert loud == [3, 4]
    assert found.by_second_lu[3] == pytest.approx(-40, abs=0.3)
    assert found.sentence().startswith(
        "differs, though no third octave moves by more than 0.0 dB, from 0:03 to 0:05; the residual is -46"
    )
    assert found.by_band_db["1000"] == pytest.approx(-46, abs=1.5)


@pytest.mark.parametrize("late", [0.0, 1.0, 37.25, -480.5])
@pytest.mark.parametrize("gain_db", [0.0, -4.5])
def test_matching_takes_time_and_level_away(tmp_path, late, gain_db):
    x = signal.sosfilt(signal.butter(2, [60, 9000], "bandpass", fs=RATE, output="sos"), noise(6 * RATE, 0.2, seed=3))
    x[: RATE // 2] = x[-RATE // 2 :] = 0
    n = 1 << 19
    spectrum = np.fft.rfft(x, n) * np.exp(-2j * np.pi * np.fft.rfftfreq(n) * late)
    y = 10 ** (gain_db / 20) * np.fft.irfft(spectrum, n)[: x.size]
    a, b = write(tmp_path / "a.wav", np.stack([x, x])), write(tmp_path / "b.wav", np.stack([y, y]))
    found = difference(a, b)
    assert found.offset_frames == pytest.approx(late, abs=0.01)
    assert found.gain_db == pytest.approx(-gain_db, abs=0.01)
    assert found.residual_lu < -60 and found.aligned
    if late or gain_db:
        assert difference(a, b, match=False).residual_lu > -30


def test_a_shifted_copy_is_the_same(tmp_path):
    """The end that the shift pushes out has no counterpart, and does not count: neither for the level nor as residual."""
    x = noise(20 * RATE, 0.1, seed=6) * np.linspace(0.05, 1.0, 20 * RATE)
    y = np.concatenate([np.zeros(RATE), x[:-RATE]])
    found = difference(write(tmp_path / "a.wav", np.stack([x, x])), write(tmp_path / "b.wav", np.stack([y, y])))
    assert (found.offset_frames, found.gain_db) == (RATE, 0.0)
    assert found.residual_lu < -100 and found.inaudible(Floor())
    assert found.notes() == ["compared from 0.00 to 19.00 s of A, where both have sound"]


def test_an_offset_is_found_behind_a_long_silence(tmp_path):
    x = np.concatenate([np.zeros(60 * RATE), noise(10 * RATE, 0.1, seed=6)])
    found = difference(write(tmp_path / "a.wav", x), write(tmp_path / "b.wav", np.concatenate([np.zeros(250), x])))
    assert found.offset_frames == pytest.approx(250, abs=0.01)


def test_a_click_counts_however_long_the_file_is(tmp_path):
    x = noise(120 * RATE, 0.2, seed=8)
    x[60 * RATE : 62 * RATE] = 0
    y = x.copy()
    y[61 * RATE] = 0.125
    found = difference(write(tmp_path / "a.wav", x, subtype="PCM_24"), write(tmp_path / "b.wav", y, subtype="PCM_24"))
    assert found.residual_lu < -60
    assert not found.inaudible(Floor()) and "from 1:01 to 1:02" in found.sentence()


def test_the_level_is_matched_where_only_the_level_differs(tmp_path):
    """+1.2 dB above 4 kHz from 7 s on: what is told is where, by how much, and from when, not a shift of all the rest."""
    x = noise(12 * RATE, 0.1, seed=9)
    n = x.size
    hz = np.fft.rfftfreq(n, 1 / RATE)
    lifted = np.fft.irfft(np.fft.rfft(x) * np.where(hz > 3550, 10 ** (1.2 / 20), 1.0), n)
    y = np.concatenate([x[: 7 * RATE], lifted[7 * RATE :]])
    found = difference(write(tmp_path / "a.wav", np.stack([x, x])), write(tmp_path / "b.wav", np.stack([y, y])))
    assert found.gain_db == 0.0
    assert found.sentence().startswith("differs from 4 kHz up, by up to +1.2 dB, from 0:07 on")
    z = 0.5 * np.concatenate([x[: 5 * RATE], 1.06 * x[5 * RATE :]])  # 6 dB softer, and the end half a dB less so
    found = difference(write(tmp_path / "a.wav", np.stack([x, x])), write(tmp_path / "c.wav", np.stack([z, z])))
    assert found.gain_db in (pytest.approx(6.02, abs=0.01), pytest.approx(5.51, abs=0.01))
    assert "0:0" in found.sentence() and "all through" not in found.sentence()


@pytest.mark.parametrize("late", [0, 480])
def test_polarity_and_sides_are_named(tmp_path, late):
    x = np.stack([noise(6 * RATE, 0.1, seed=9), noise(6 * RATE, 0.1, seed=10) * 0.7])
    a = write(tmp_path / "a.wav", x)
    moved = np.concatenate([np.zeros((2, late)), x], axis=1)
    found = difference(a, write(tmp_path / "b.wav", -moved))
    assert found.turned == ["upside down"] and "B is upside down" in found.sentence() and found.offset_frames == late
    if not late:
        found = difference(a, write(tmp_path / "c.wav", moved[::-1]))
        assert found.turned == ["with its sides swapped"] and "with its sides swapped" in found.sentence()
    other = difference(a, write(tmp_path / "d.wav", np.stack([noise(6 * RATE, seed=20)] * 2)))
    assert not other.aligned and "no sound in common" in other.notes()[0]


@pytest.mark.parametrize(
    ("image", "told"),
    [
        ([[1, 0], [0, -1]], "upside down on its right side"),
        ([[0, -1], [-1, 0]], "with its sides swapped, and upside down"),
        ([[0.5, 0.5], [0.5, 0.5]], "mono"),
        ([[1, 0], [0, 0.5]], "6.0 dB louder on the left"),
        ([[1, 0], [0, 0]], "without its right side"),
    ],
)
def test_faults_of_the_image_are_in_the_sentence(tmp_path, image, told):
    x = np.stack([noise(6 * RATE, 0.1, seed=9), noise(6 * RATE, 0.1, seed=10)]) + noise(6 * RATE, 0.03, seed=11)
    found = difference(write(tmp_path / "a.wav", x), write(tmp_path / "b.wav", np.array(image, dtype=float) @ x))
    assert told in found.sentence() and found.offset_frames == 0


def test_an_excerpt_lies_where_it_was_taken_from(tmp_path):
    """Drums on a steady grid fit in many places, and an excerpt of them only in one."""
    rng = np.random.default_rng(3)
    hits = np.repeat(rng.uniform(0.5, 1.0, 48), RATE // 4)
    x = drums(12 * RATE, bpm=120, seed=4) * hits * 0.3
    a = write(tmp_path / "a.wav", np.stack([x, x]))
    found = difference(a, write(tmp_path / "b.wav", np.stack([x, x])[:, : 5 * RATE]))
    assert (found.offset_frames, found.gain_db) == (0, 0) and "from 0:05 on" in found.sentence()
    assert "frames shorter than A" in found.notes()[0]
    found = difference(a, write(tmp_path / "c.wav", np.stack([x, x])[:, RATE : 6 * RATE]))
    assert found.offset_frames == -RATE


def test_a_uniform_change_under_the_floor_passes(session, chainrun):
    """0.005 dB is a residual of -64.8 LU in every second; many seconds' readings are noisy, and none sticks out."""
    soundfile.write("kick.wav", noise(60 * 8000, 0.2), 8000, subtype="FLOAT")
    soundfile.write("snare.wav", noise(60 * 8000, 0.2, seed=3), 8000, subtype="FLOAT")
    path = session.write(SONG.split("[expect]")[0])
    chainrun("verify", path, "--accept")
    quiet = (("--set", "stems.kick.level_db=0.005"), ("--set", "stems.snare.level_db=0.005"))
    assert chainrun("verify", path, *quiet[0], *quiet[1]).code == 0
    assert chainrun("verify", path, "--set", "stems.kick.level_db=0.1").code == 1


def test_accepted_variants_are_verified_and_lost_ones_told(session, chainrun):
    path = session.write(SONG + '[variants.softer]\n"buses.kit.level_db" = -9\n')
    for more in ((), ("--variant", "softer")):
        chainrun("verify", path, "--accept", *more)
    ran = chainrun("verify", path)
    assert (ran.code, "song (softer): passed" in ran.out) == (0, True)
    session.write(SONG + '[variants.softer]\n"buses.kit.level_db" = -8\n')
    ran = chainrun("verify", path, "--markdown", "m.md")
    assert (ran.code, "song (softer): failed" in ran.out) == (1, True)
    assert "mix.wav: residual" in Path("m.md").read_text() and "allowed at most -60 LU" in Path("m.md").read_text()
    session.write(SONG)
    ran = chainrun("verify", path)
    assert (ran.code, "there is no such variant" in ran.err) == (3, True)


def test_a_shelf_is_named_where_it_begins(tmp_path):
    x = noise(10 * RATE, 0.1, seed=4)
    y = x.copy()
    high = signal.sosfilt(signal.butter(4, 4500, "highpass", fs=RATE, output="sos"), x)
    y[7 * RATE :] += 0.35 * high[7 * RATE :]
    found = difference(
        write(tmp_path / "a.wav", np.stack([x, x])), write(tmp_path / "b.wav", np.stack([y, y])), match=False
    )
    assert "kHz up, by up to +" in found.sentence() and "from 0:07 on" in found.sentence()


def test_words_for_bands_and_times():
    bands = {str(hz): 0.0 for hz in (100, 200, 400, 800, 1600, 3150, 6300)}
    assert where_in_bands(bands) is None
    assert where_in_bands(bands | {"3150": 1.2, "6300": 0.7}) == "from 3.15 kHz up, by up to +1.2 dB"
    assert where_in_bands(bands | {"400": -2.0}) == "at 400 Hz, by up to -2.0 dB"
    assert where_in_bands(bands | {"100": 1.0, "200": 0.6}) == "up to 200 Hz, by up to +1.0 dB"
    both = {"100": 1.0, "6300": -2.0}
    assert where_in_bands(bands | both) == "at 100 Hz, by up to +1.0 dB and at 6.3 kHz, by up to -2.0 dB"
    assert where_in_time((-90.0, -90.0, -50.0, -90.0, -90.0), Floor()) == "from 0:02 to 0:03"
    assert where_in_time((-40.0,) * 5, Floor()) == "all through"


def test_other_rates_lengths_and_channels(tmp_path):
    x = signal.sosfilt(signal.butter(4, 8000, fs=RATE, output="sos"), noise(4 * RATE, 0.2))
    a = write(tmp_path / "a.wav", np.stack([x, x]))
    b = write(tmp_path / "b.wav", signal.resample(x, 4 * 44100), rate=44100)
    found = difference(a, b)
    assert found.residual_lu < -50
    assert difference(a, write(tmp_path / "c.wav", np.stack([x, x])[:, : 3 * RATE])).residual_lu > -10
    assert found.notes() == ["one is mono, and stands on both sides", "B was converted from 44100 to 48000 Hz"]
    with pytest.raises(AudioError, match="only mono and stereo"):
        difference(a, write(tmp_path / "six.wav", np.zeros((6, RATE))))
    silent = write(tmp_path / "d.wav", np.zeros((2, RATE)))
    assert difference(silent, silent).sentence() == "the same samples"
    assert difference(a, silent).residual_lu == pytest.approx(0, abs=0.1)
    assert difference(silent, a).residual_lu == np.inf


# -- compare and sweep ---------------------------------------------------------------------------------------------


def test_compare_two_files_two_recipes_and_two_variants(session, chainrun):
    path = session.write(
        SONG + '[variants.softer]\n"buses.kit.level_db" = -9\n[variants.upside]\n"stems.snare.invert" = true\n'
    )
    told = chainrun("compare", path, "--variant", "softer", "--json").json
    assert told["gain_db"] == pytest.approx(3.0, abs=0.01)
    assert told["verdict"].startswith("no audible difference")
    told = chainrun("compare", path, "--variant", "softer", "--no-match", "--json").json
    assert told["difference"]["integrated_lufs"] == pytest.approx(-3, abs=0.01)
    assert "in all bands, by up to -3.0 dB" in told["verdict"]
    told = chainrun("compare", path, "--variant", "softer", "--variant", "upside", "--json").json
    assert told["residual_lu"] > -10
    ran = chainrun("compare", path, path)
    assert (ran.code, ran.out.splitlines()[-1]) == (0, "the same samples")
    assert max(map(len, ran.out.splitlines())) <= 80
    assert chainrun("compare", path, "--variant", "upside", "--strict").code == 1
    for arguments in (
        (path,),
        ("pair.wav", "--variant", "x"),
        (path, path, "--variant", "softer"),
        (path, "--sweep", "x"),
    ):
        assert chainrun("compare", *arguments).code == 2
    assert chainrun("compare", "kick.wav", "nothing.wav").code == 4


def test_sweep(session, chainrun):
    path = session.write(SONG)
    ran = chainrun("compare", path, "--sweep", "stems.kick.chain.squash.ratio=1.5,4,10", "-o", "swept", "--json")
    rows = ran.json["values"]
    reductions = [row["gain_reduction_max_db"] for row in rows]
    assert reductions == sorted(reductions) and reductions[0] < reductions[2] - 2
    loud = [soundfile.read(row["matched"])[0] for row in rows]
    assert [row["value"] for row in rows] == ["1.5", "4", "10"]
    levels = chainrun("measure", *(row["matched"] for row in rows), "--json").json["files"]
    measured = [one["measured"]["integrated_lufs"] for one in levels]
    assert max(measured) - min(measured) < 0.05
    assert all(np.abs(x).max() <= 1 for x in loud)
    assert rows[0]["residual_lu"] is None and rows[2]["residual_lu"] > rows[1]["residual_lu"]
    assert chainrun("compare", path, "--sweep", "stems.kick.chain.nothing.ratio=1,2", "-o", "swept").code == 3


# -- verify ----------------------------------------------------------------------------------------------------------


def test_the_life_of_a_baseline(song, session, chainrun):
    first = chainrun("verify", song)
    assert (first.code, "there was no baseline; it was written" in first.out) == (1, True)
    assert chainrun("verify", song).code == 0
    recipe = session.folder / "song.recipe.toml"
    recipe.write_text(SONG.replace("ratio = 4", "ratio = 5"))
    ran = chainrun("verify", song)
    assert ran.code == 1
    assert "cause: first in kick" in ran.out and "changed in the recipe: stems.kick.chain.squash" in ran.out
    assert "squash.gain_reduction_max_db" in ran.out
    assert chainrun("verify", song, "--accept").code == 0
    assert chainrun("verify", song).code == 0
    recipe.write_text(SONG.replace("ratio = 4", "ratio = 5").replace("at_most = -1", "at_most = -40"))
    ran = chainrun("verify", song, "--json")
    assert ran.code == 1
    (check,) = [one for one in ran.json["results"][0]["checks"] if not one["passed"]]
    assert check["name"] == "expect: sample_peak_dbfs"
    facts = tomllib.loads((session.folder / "song.baseline.toml").read_text())
    assert facts["deliveries"]["mix.wav"]["n_frames"] == soundfile.info(_render(chainrun, song)).frames
    assert list(facts["nodes"]) == ["kick", "snare", "kit", "main"]


def _render(chainrun, song):
    return chainrun("render", song, "-o", "out", "--json").json["deliveries"][0]["file"]


@pytest.mark.parametrize("word", ["true", "1", "TRUE", "woodpecker"])
def test_accept_in_ci_is_refused(song, chainrun, monkeypatch, word):
    monkeypatch.setenv("CI", word)
    ran = chainrun("verify", song, "--accept")
    assert (ran.code, "--force" in ran.err) == (2, True)
    assert not Path("song.baseline.toml").exists()
    assert chainrun("verify", song, "--accept", "--force").code == 0
    monkeypatch.setenv("CI", "false")
    assert chainrun("verify", song, "--accept").code == 0


def test_only_what_the_recipe_says_becomes_its_baseline(song, session, chainrun):
    overlay = session.folder / "x.overlay.toml"
    overlay.write_text('"buses.kit.level_db" = -9\n')
    for more in (("--set", "buses.kit.level_db=-9"), ("--overlay", overlay)):
        assert chainrun("verify", song, "--accept", *more).code == 2
        ran = chainrun("verify", song, *more)
        assert (ran.code, "none is made of a render with --set" in ran.out) == (1, True)
    assert not Path("song.baseline.toml").exists()


def test_no_baseline_is_written_over_anothers(session, chainrun):
    path = session.write(SONG + '[variants.softer]\n"buses.kit.level_db" = -9\n')
    assert chainrun("verify", path, "--accept", "--variant", "softer").code == 0
    before = Path("song+softer.baseline.toml").read_bytes()
    other = session.write(SONG, name="song+softer")
    for more in ((), ("--accept",)):
        ran = chainrun("verify", other, *more)
        assert (ran.code, "the baseline of another recipe or variant" in ran.err) == (3, True)
    assert Path("song+softer.baseline.toml").read_bytes() == before


def test_a_click_in_a_quiet_place_fails(session, chainrun, tmp_path):
    """-18 dBFS for one frame, in a second of silence of 40: over all of it the residual is about -65 LU."""
    x = noise(40 * RATE, 0.2)
    x[20 * RATE : 22 * RATE] = 0
    soundfile.write(session.folder / "long.wav", x, RATE, subtype="PCM_24")
    path = session.write('recipe = 1\n[stems.long]\nfile = "long.wav"\n')
    assert chainrun("verify", path, "--accept", "--with-audio").code == 0
    x[int(20.5 * RATE)] = 10 ** (-18 / 20)
    soundfile.write(session.folder / "long.wav", x, RATE, subtype="PCM_24")
    ran = chainrun("verify", path, "--json")
    checks = {one["name"]: one for one in ran.json["results"][0]["checks"]}
    assert ran.code == 1
    assert checks["mix.wav: residual"]["measured"] < -60
    assert "LU at 0:20" in checks["mix.wav: residual"]["text"]
    assert not checks["mix.wav: exact residual"]["passed"]
    assert "stems.long.file" in ran.json["results"][0]["cause"]["changed"]


def test_a_variant_has_its_own_baseline(session, chainrun):
    path = session.write(SONG + '[variants.softer]\n"buses.kit.level_db" = -9\n')
    chainrun("verify", path, "--accept")
    chainrun("verify", path, "--variant", "softer", "--accept")
    assert Path("song+softer.baseline.toml").exists()
    assert chainrun("verify", path, "--variant", "softer").code == 0
    ran = chainrun("compare", "song.baseline.toml", "song+softer.baseline.toml")
    assert (ran.code, "integrated_lufs" in ran.out, "changed in the recipe: buses.kit" in ran.out) == (0, True, True)
    assert chainrun("compare", "song.baseline.toml", "song+softer.baseline.toml", "--strict").code == 1
    other = session.write(SONG.replace('"mix.wav"', '"other.wav"'), name="other")
    chainrun("verify", other, "--accept")
    ran = chainrun("compare", "song.baseline.toml", "other.baseline.toml", "--strict")
    assert (ran.code, "other.wav is in B alone" in ran.out) == (1, True)


def test_tolerances_are_the_recipes(session, chainrun):
    path = session.write(SONG)
    chainrun("verify", path, "--accept")
    assert chainrun("verify", path, "--set", "buses.kit.level_db=-6.05").code == 1
    loose = "[expect.tolerance]\nresidual_lu = -30\n"
    path = session.write(SONG + loose)
    assert chainrun("verify", path, "--set", "buses.kit.level_db=-6.05").code == 0
    assert chainrun("verify", path, "--set", "buses.kit.level_db=-7").code == 1


def test_another_dither_seed_is_no_difference(session, chainrun):
    path = session.write(SONG)
    chainrun("verify", path, "--accept")
    ran = chainrun("verify", path, "--set", "deliver.0.seed=9", "--json")
    assert ran.code == 0
    told = [one["text"] for one in ran.json["results"][0]["checks"] if "baseline" in one["name"]]
    assert told[0].startswith("no audible difference")


def test_with_audio_the_residual_is_exact(session, chainrun):
    path = session.write(SONG)
    chainrun("verify", path, "--accept", "--with-audio")
    kept = soundfile.read("song.baseline.mix.wav.flac")[0]
    assert np.array_equal(kept, soundfile.read(_render(chainrun, path))[0])
    ran = chainrun("verify", path, "--set", "stems.snare.level_db=-0.5")
    assert "exact residual: differs" in ran.out
    ran = chainrun("verify", path, "--set", "stems.kick.at_s=0.25")  # longer: no residual makes up for that
    assert "length: " in ran.out and ran.code == 1


def test_long_mixes_and_many_rides(session, chainrun):
    """Ten minutes have a sketch of many thousand characters, a hundred rides a line of as many."""
    x = noise(400 * 8000, 0.1)
    soundfile.write(session.folder / "long.wav", x, 8000, subtype="PCM_16")
    rides = ", ".join(f"[{k}.0, {-0.01 * k}]" for k in range(1, 95))
    path = session.write(f'recipe = 1\n[stems.a]\nfile = "long.wav"\nlevel_points_db = [ {rides} ]\n')
    assert chainrun("verify", path, "--accept").code == 0
    ran = chainrun("verify", path, "--json")
    assert (ran.code, ran.json["results"][0]["checks"][0]["text"]) == (0, "the same samples")
    path.write_text(path.read_text().replace("-0.94", "-0.3"))
    ran = chainrun("verify", path, "--json")
    assert ran.code == 1 and "level_points_db" in str(ran.json["results"][0]["cause"]["changed"])


def test_two_deliveries_of_one_stem_keep_their_own_audio(session, chainrun):
    path = session.write(SONG + '[[deliver]]\nfile = "mix.flac"\n[[deliver]]\nfile = "hot.wav"\nbits = 32\n')
    session.write(path.read_text().replace("level_db = -6", "level_db = 20").replace("at_most = -1", "at_most = 40"))
    ran = chainrun("verify", path, "--accept", "--with-audio")
    assert "hot.wav goes over 0 dBFS, which FLAC cannot hold" in ran.out
    ran = chainrun("verify", path, "--set", "stems.snare.level_db=-0.5")
    assert "is not the one that was accepted" not in ran.out


def test_the_same_samples_at_another_rate_are_another_file(session, chainrun):
    text = 'recipe = 1\n[stems.a]\nfile = "pair.wav"\n[[deliver]]\nfile = "mix.wav"\ndither = false\n'
    path = session.write(text)
    assert chainrun("verify", path, "--accept").code == 0
    x, _ = soundfile.read("pair.wav", dtype="int32")
    soundfile.write("pair.wav", x, 44100, subtype="PCM_24")
    ran = chainrun("verify", path)
    assert (ran.code, "rate: 48000 then, 44100 now" in ran.out) == (1, True)
    session.write(text + "bits = 16\n")
    assert "encoding: PCM_24 then, PCM_16 now" in chainrun("verify", path).out


def test_a_dither_seed_of_sixteen_bits_is_no_difference(session, chainrun):
    path = session.write(SONG.replace("bits = 24", "bits = 16\ntarget_lufs = -40"))
    chainrun("verify", path, "--accept")
    for seed in (7, 8):
        assert chainrun("verify", path, "--set", f"deliver.0.seed={seed}").code == 0


def test_the_changed_recording_is_named_before_who_listens_to_it(session, chainrun):
    text = 'recipe = 1\n[stems.a]\nfile = "snare.wav"\nchain = [ { do = "gate", threshold_db = -20, key = { from = ["kick"] } } ]\n[stems.kick]\nfile = "kick.wav"\n'
    path = session.write(text)
    chainrun("verify", path, "--accept")
    x, rate = soundfile.read("kick.wav")
    soundfile.write("kick.wav", x[::-1], rate, subtype="FLOAT")
    ran = chainrun("verify", path, "--json")
    assert ran.json["results"][0]["cause"]["node"] == "kick"


def test_expectations_of_a_nodes_own_peak(session, chainrun):
    path = session.write(
        SONG + '"stems.kick.true_peak_dbtp" = { at_most = 6 }\n"buses.kit.correlation" = { at_least = 0 }\n'
    )
    assert chainrun("verify", path, "--accept").code == 0
    path = session.write(SONG + '"stems.kick.rms_dbfs" = { from = 3, to = 1 }\n')
    ran = chainrun("check", path)
    assert (ran.code, "`from` is above `to`" in ran.err) == (3, True)


def test_refused_recipes_have_not_passed(session, chainrun):
    broken = session.write("recipe = 1\n", name="broken")
    ran = chainrun("verify", broken, "--json")
    assert (ran.code, ran.json["passed"], len(ran.json["problems"])) == (3, False, 1)


def test_notes_reach_ci(session, chainrun):
    preset = session.folder / "presets" / "hit.preset.toml"
    preset.parent.mkdir()
    preset.write_text('preset = 1\nchain = [ { do = "gain", gain_db = -2 } ]\n')
    path = session.write('recipe = 1\n[stems.kick]\nfile = "kick.wav"\nchain = [ { preset = "hit" } ]\n')
    chainrun("verify", path, "--accept")
    preset.write_text('preset = 1\nchain = [ { do = "gain", gain_db = -2 }, { do = "gain" } ]\n')
    ran = chainrun("verify", path, "--format", "github", "--markdown", "m.md")
    assert (ran.code, "::warning file=song.recipe.toml" in ran.out) == (0, True)
    assert "no longer what song.baseline.toml" in Path("m.md").read_text()


def test_audio_of_an_earlier_baseline_is_not_believed(session, chainrun):
    path = session.write(SONG)
    chainrun("verify", path, "--accept", "--with-audio")
    louder = session.write(SONG.replace("level_db = -6", "level_db = -3"))
    ran = chainrun("verify", louder, "--accept")
    assert "song.baseline.mix.wav.flac is of an earlier baseline" in ran.out
    session.write(SONG)
    ran = chainrun("verify", path)  # back to what the old audio holds, and that is not what was accepted
    assert (ran.code, "exact residual" in ran.out) == (1, False)
    chainrun("verify", path, "--accept", "--with-audio")
    Path("song.baseline.mix.wav.flac").write_bytes(b"other")
    session.write(SONG.replace("level_db = -6", "level_db = -6.5"))
    ran = chainrun("verify", path)
    assert (ran.code, "is not the one that was accepted" in ran.out) == (1, True)
    Path("song.baseline.mix.wav.flac").unlink()
    assert "mix.wav.flac is gone" in chainrun("verify", path).out


def test_a_changed_key_is_told_with_its_values_and_its_line(session, chainrun):
    path = session.write(SONG)
    chainrun("verify", path, "--accept")
    session.write(
        SONG.replace("gain_db = 3", "gain_db = 6").replace("[buses.kit]\nlevel_db = -6", "[buses.kit]\nlevel_db = -7")
    )
    ran = chainrun("verify", path, "--json")
    assert ran.json["results"][0]["cause"]["changed"] == {
        "stems.snare.chain.0.bands.0.gain_db": "3.0 then, 6.0 now",
        "buses.kit.level_db": "-6.0 then, -7.0 now",
    }
    ran = chainrun("verify", path, "--format", "github")
    assert "file=song.recipe.toml,line=9," in ran.out
    session.write(SONG.replace("level_db = -6\n", "level_db = -7\n"))
    assert "file=song.recipe.toml,line=11," in chainrun("verify", path, "--format", "github").out
    assert chainrun("verify", path, "--format", "github", "--json").code == 2


def test_length_rate_renamed_nodes_and_deliveries(session, chainrun):
    path = session.write(SONG)
    chainrun("verify", path, "--accept")
    ran = chainrun("verify", path, "--set", "stems.kick.at_s=0.25")
    assert " then, 36000 frames now" in ran.out
    ran = chainrun("verify", path, "--set", "deliver.0.rate_hz=44100")
    assert "rate: 48000 then, 44100 now" in ran.out
    session.write(SONG.replace("[stems.snare]", "[stems.side_drum]"))
    ran = chainrun("verify", path, "--json")
    assert ran.json["results"][0]["passed"]
    session.write(SONG.replace("[stems.snare]", "[stems.side_drum]").replace("gain_db = 3", "gain_db = 9"))
    ran = chainrun("verify", path)
    assert "note: snare is no longer there" in ran.out and "side_drum is new" in ran.out
    session.write(SONG + '[[deliver]]\nfile = "more.wav"\n')
    ran = chainrun("verify", path)
    assert (ran.code, "does not know this delivery" in ran.out) == (1, True)
    session.write(SONG.replace('"mix.wav"', '"other.wav"'))
    assert "no longer made" in chainrun("verify", path).out


def test_a_changed_preset_is_told(session, chainrun):
    preset = session.folder / "presets" / "hit.preset.toml"
    preset.parent.mkdir()
    preset.write_text('preset = 1\nchain = [ { do = "gain", gain_db = -2 } ]\n')
    path = session.write('recipe = 1\n[stems.kick]\nfile = "kick.wav"\nchain = [ { preset = "hit" } ]\n')
    chainrun("verify", path, "--accept")
    preset.write_text('preset = 1\nabout = "prose is no sound"\nchain = [ { do = "gain", gain_db = -2 } ]\n')
    assert "note" not in chainrun("verify", path).out
    preset.write_text('preset = 1\nchain = [ { do = "gain", gain_db = -3 } ]\n')
    ran = chainrun("verify", path)
    assert (ran.code, "preset hit is no longer what song.baseline.toml was accepted with" in ran.out) == (1, True)
    checked = chainrun("check", path)
    assert (checked.code, "warning: the library's preset hit is no longer" in checked.err) == (0, True)


DAMAGED = {
    "cut": lambda text: text[: len(text) // 2],
    "other": lambda text: "x = 1\n",
    "newer": lambda text: text.replace("baseline = 2", "baseline = 3"),
    "not a number": lambda text: text.replace("rms_dbfs = ", "rms_dbfs = nan #", 1),
    "short sketch": lambda text: re.sub(r'sketch = "[^"]*"', 'sketch = ""', text, count=1),
    "a step of no length": lambda text: text.replace("curve_step_s = 1", "curve_step_s = 0", 1),
    "negative": lambda text: text.replace("n_frames = ", "n_frames = -", 1),
    "a truth for a number": lambda text: text.replace("rate_hz = 48000", "rate_hz = true", 1),
    "no text": lambda text: re.sub(r"pcm_sha256 = .*", "pcm_sha256 = 3", text, count=1),
    "bands missing": lambda text: re.sub(
        r'third_octaves_db = "[^"]*"', 'third_octaves_db = "-9.0 -9.0"', text, count=1
    ),
    "readings": lambda text: text.replace("[nodes.kick.readings]", "readings = 3\n[nodes.other]"),
    "settings": lambda text: text.replace("[settings]", "[settings]\nodd = 3"),
    "empty": lambda text: "",
    "a fraction": lambda text: text.replace("baseline = 2", "baseline = 2.0"),
    "levels that are none": lambda text: re.sub(r'third_octaves_db = "[^ ]*', 'third_octaves_db = "nan', text, count=1),
    "a long curve": lambda text: re.sub(r'curve_lufs = "', 'curve_lufs = "' + "-9.0 " * 40, text, count=1),
    "words": lambda text: text.replace("n_frames = ", 'n_frames = "'),
    "number": lambda text: text.replace('curve_lufs = "', 'curve_lufs = "x '),
    "sketch": lambda text: text.replace('sketch = "', 'sketch = "!!'),
    "table": lambda text: text.replace("[nodes.main]", "[nodes]\nmain = 3\n[nodes.other]"),
    "bytes": lambda text: "\udcff",
}


@pytest.mark.parametrize("how", DAMAGED)
def test_damaged_baselines(song, session, chainrun, how):
    chainrun("verify", song, "--accept")
    file = session.folder / "song.baseline.toml"
    file.write_text(DAMAGED[how](file.read_text()), errors="surrogateescape")
    before = file.read_bytes()
    ran = chainrun("verify", song)
    assert ran.code == 3, ran.err
    assert "song.baseline.toml" in ran.err and "hint:" in ran.err
    assert chainrun("compare", "song.baseline.toml", "song.baseline.toml").code == 3
    assert "Traceback" not in ran.err
    assert file.read_bytes() == before


def test_expectations_of_what_is_not_there(session, chainrun):
    for line, text in (
        ("loudness = { at_most = 0 }", "'loudness' is not measured"),
        ('"stems.kik.rms_dbfs" = { at_most = 0 }', "did you mean 'kick'"),
        (
            '"stems.kick.chain.squish.gain_reduction_max_db" = { at_most = 9 }',
            "no such step in stems.kick\n    hint: did you mean 'chain.squash'",
        ),
        ('integrated_lufs = { at_most = 0, delivery = "mixx.wav" }', "did you mean 'mix.wav'"),
    ):
        path = session.write(SONG.split("[expect]")[0] + f"[expect]\n{line}\n")
        ran = chainrun("verify", path, "--accept")
        assert (ran.code, text in ran.err, "song.recipe.toml:16" in ran.err) == (3, True, True), ran.err
        assert chainrun("check", path).err == ran.err
    path = session.write(SONG.split("[expect]")[0] + '[expect]\n"stems.kick.sample_peak_dbfs" = { at_least = -30 }\n')
    assert chainrun("verify", path, "--accept").code == 0


def test_an_unchanged_demo_is_quick(demo, chainrun, monkeypatch, tmp_path):
    """Nothing is rendered and nothing is measured again: all prints come from the store (the time is told by the bench)."""
    monkeypatch.chdir(tmp_path)
    recipe = Path("recipes/tithe-barn.recipe.toml")
    chainrun("verify", recipe, "--accept")
    ran = chainrun("verify", recipe)
    assert ran.code == 0, ran.out
    assert ran.err.count("rendered") == 0


# -- across machines ---------------------------------------------------------------------------------------------------

OTHER_KERNEL = """
import sys
from pathlib import Path
from chainrun.engine import RenderOptions
import chainrun.verify.run as run
from chainrun.recipe import Overrides, open_recipe
plain = run.RenderOptions
run.RenderOptions = lambda **more: plain(**(more | {"block_frames": 30000, "workers": 2}))
verdict = run.verify(open_recipe(Path(sys.argv[1])), run.VerifyOptions())
print(verdict.passed, [check.text for check in verdict.checks])
"""


def test_baselines_hold_on_another_processor(demo, chainrun, monkeypatch, tmp_path):
    """Another BLAS kernel, block size and number of workers: other bits, the same sound."""
    monkeypatch.chdir(tmp_path)
    recipe = Path("recipes/tithe-barn.recipe.toml")
    chainrun("verify", recipe, "--accept")
    ran = subprocess.run(
        [sys.executable, "-c", OTHER_KERNEL, str(recipe)],
        capture_output=True, text=True, env=os.environ | {"OPENBLAS_CORETYPE": "Prescott"}, timeout=120,
    )  # fmt: skip
    assert ran.stdout.startswith("True"), ran.stdout + ran.stderr
    assert "no audible difference" in ran.stdout  # and the samples are not the same


# -- the verifier itself -----------------------------------------------------------------------------------------------


def test_mutations_of_the_demo(monkeypatch):
    """Ten of the seventy of `python -m tests.bench.verifier`; DEVELOPERS.md has the table of all."""
    monkeypatch.setattr(sys, "argv", ["pytest"])
    seen = verifier.run(2)
    assert len(seen) >= 9
    wrong = [one.change.name for one in seen if not one.right or (one.failed and one.audible and not one.named)]
    assert not wrong
    assert sum(one.failed for one in seen) >= 7
    assert [one.failed for one in seen if one.change.name == "another dither seed"] == [False]


# -- for CI --------------------------------------------------------------------------------------------------------------


def test_junit_annotations_and_summary(song, session, chainrun):
    chainrun("verify", song, "--accept")
    broken = session.write("recipe = 1\n", name="broken")
    session.write(SONG.replace("gain_db = 3", "gain_db = 6").replace("to = 30", "to = 1.5"))
    ran = chainrun("verify", song, broken, "--junit-xml", "r.xml", "--markdown", "r.md", "--format", "github")
    assert ran.code == 3
    root = ET.parse("r.xml").getroot()
    suites = {suite.get("name"): suite for suite in root}
    suite = suites["song"]
    cases = suite.findall("testcase")
    assert (suite.get("tests"), suite.get("failures")) == (str(len(cases)), str(len(suite.findall("testcase/failure"))))
    assert int(suite.get("failures")) >= 2
    named = {case.get("name"): case for case in cases}
    failed = named["expect: stems.kick.chain.squash.gain_reduction_max_db"]
    assert float(failed.find("properties/property[@name='measured']").get("value")) > 1.5
    assert suites["broken.recipe.toml"].find("testcase/error") is not None
    # The same attributes as pytest's own files have, beside the host and the time of day.
    known = {"name", "errors", "failures", "skipped", "tests", "time", "timestamp", "hostname"}
    assert all(set(one.attrib) <= known for one in root)
    assert all(set(case.attrib) == {"classname", "name", "time"} for case in root.iter("testcase"))
    lines = ran.out.splitlines()
    assert all(line.startswith(("::error ", "::notice ")) for line in lines)
    assert any(line.startswith("::error file=song.recipe.toml,line=17,title=expect%3A stems.kick") for line in lines)
    assert any("line=9" in line and "likely cause" in line and "first in snare" in line for line in lines)
    assert any(line.startswith("::error file=broken.recipe.toml") for line in lines)
    summary = Path("r.md").read_text()
    assert "| broken.recipe.toml | **not verified** |" in summary
    assert "| song | **failed** |" in summary and "first in snare" in summary


def test_annotations_are_escaped():
    from chainrun.verify.judge import Check
    from chainrun.verify.reports import junit, markdown, workflow_annotations
    from chainrun.verify.run import Verdict

    verdict = Verdict("a<b>|`", Path("x,y:z.recipe.toml"), Path("b"))
    verdict.checks = [Check("100%: odd,\n", False, "moved 5 %\r\nand <script>\x1b[31m")]
    (line,) = workflow_annotations([verdict]).splitlines()
    assert (
        line
        == "::error file=x%2Cy%3Az.recipe.toml,title=100%25%3A odd%2C%0A::moved 5 %25%0D%0Aand <script>\x1b[31m".replace(
            "\x1b", "\x1b"
        )
    )
    assert ET.fromstring(junit([verdict]).encode()).find("testsuite/testcase/failure") is not None
    assert "<script>" not in markdown([verdict]) and "\x1b" not in markdown([verdict])


# -- the plugin ------------------------------------------------------------------------------------------------------------


@pytest.fixture
def inner(pytester, monkeypatch, store):
    monkeypatch.setenv("CHAINRUN_STORE", str(store))
    soundfile.write(pytester.path / "kick.wav", noise(RATE, 0.2), RATE, subtype="FLOAT")
    soundfile.write(pytester.path / "snare.wav", noise(RATE, 0.2, seed=2), RATE, subtype="FLOAT")
    (pytester.path / "song.recipe.toml").write_text(SONG)

    def call(*arguments):
        return pytester.runpytest_inprocess("-p", "no:xdist", "-p", "no:cacheprovider", "-v", *arguments)

    call.folder = pytester.path
    return call


def test_plugin_create_pass_change_fail_accept_pass(inner):
    inner("--chainrun-accept").assert_outcomes(passed=3)
    done = inner("--chainrun")
    done.assert_outcomes(passed=9)
    done.stdout.fnmatch_lines(["*song.recipe.toml::sample_peak_dbfs PASSED*", "*song.recipe.toml::loudness PASSED*"])
    recipe = inner.folder / "song.recipe.toml"
    recipe.write_text(SONG.replace("gain_db = 3", "gain_db = 8"))
    done = inner("--chainrun", "--junit-xml=j.xml")
    assert done.parseoutcomes()["failed"] >= 2
    done.stdout.fnmatch_lines(["*song.recipe.toml::spectrum FAILED*", "*song.recipe.toml::residual FAILED*"])
    done.stdout.fnmatch_lines(["*FAIL*residual*", "*cause: first in snare*"])
    assert "Traceback" not in done.stdout.str()
    names = {one.get("name") for one in ET.parse(inner.folder / "j.xml").getroot().iter("property")}
    assert any(name.endswith(" measured") for name in names)
    inner("--chainrun-accept").assert_outcomes(passed=3)
    inner("--chainrun").assert_outcomes(passed=9)


def test_plugin_and_variants_and_new_deliveries(inner):
    recipe = inner.folder / "song.recipe.toml"
    plain = SONG.split("[expect]")[0] + '[variants.softer]\n"buses.kit.level_db" = -9\n'
    recipe.write_text(plain)
    verify(open_recipe(recipe, Overrides("softer")), VerifyOptions(accept=True))
    done = inner("--chainrun")
    done.assert_outcomes(passed=7)
    done.stdout.fnmatch_lines(["*song.recipe.toml::loudness+softer PASSED*"])
    verify(open_recipe(recipe), VerifyOptions(accept=True))
    recipe.write_text(plain.replace("kit.level_db", "kit.levle_db"))
    done = inner("--chainrun")
    assert done.parseoutcomes()["failed"] == 1
    done.stdout.fnmatch_lines(["*song.recipe.toml::recipe+softer FAILED*"])
    recipe.write_text(SONG.split("[expect]")[0])
    assert inner("--chainrun").parseoutcomes()["failed"] == 1  # the variant is gone, its baseline is not
    recipe.write_text(plain + '[[deliver]]\nfile = "more.wav"\n')
    done = inner("--chainrun")
    done.stdout.fnmatch_lines(["*song.recipe.toml::render FAILED*", "*does not know this delivery*"])


def test_plugin_does_not_accept_in_ci(inner, monkeypatch):
    monkeypatch.setenv("CI", "woodpecker")  # whatever the runner calls itself
    done = inner("--chainrun-accept")
    assert done.ret == pytest.ExitCode.USAGE_ERROR
    assert not (inner.folder / "song.baseline.toml").exists()
    inner("--chainrun-accept", "--chainrun-force").assert_outcomes(passed=3)


def test_plugin_tells_missed_targets_and_the_expectations_of_a_base(inner):
    recipe = inner.folder / "song.recipe.toml"
    recipe.write_text(SONG.replace("bits = 24", "bits = 24\ntarget_lufs = 0\nmax_dbtp = -20"))
    done = inner("--chainrun")
    done.assert_outcomes(passed=2, failed=1)
    done.stdout.fnmatch_lines(["*song.recipe.toml::render FAILED*"])
    recipe.write_text(SONG)
    (inner.folder / "above.recipe.toml").write_text('recipe = 1\nbase = "song.recipe.toml"\n')
    done = inner("--chainrun", "above.recipe.toml")
    done.assert_outcomes(passed=3)
    done.stdout.fnmatch_lines(["*above.recipe.toml::sample_peak_dbfs PASSED*"])


@pytest.mark.parametrize("odd", ["expect = 3", "expect = [1]", "[expect]\nx = 4", "[expect.tolerance]\nx = 1"])
def test_plugin_outlives_an_odd_expect(inner, odd):
    head = SONG.split("[expect]")[0]
    text = head + odd if odd.startswith("[") else odd + "\n" + head
    (inner.folder / "song.recipe.toml").write_text(text)
    inner("--chainrun").assert_outcomes(failed=1)


def test_plugin_is_asleep_until_asked(inner):
    assert inner().ret == pytest.ExitCode.NO_TESTS_COLLECTED
    (inner.folder / "pytest.ini").write_text("[pytest]\nchainrun = true\naddopts = --strict-markers\n")
    done = inner("-m", "chainrun")
    done.assert_outcomes(passed=3)
    (inner.folder / "song.recipe.toml").write_text(SONG.replace("ratio = 4", "ratio = 0.1"))
    done = inner()
    done.assert_outcomes(failed=1)
    done.stdout.fnmatch_lines(["*song.recipe.toml:5:*ratio*out of range*"])


def test_plugin_imports_nothing_it_does_not_need():
    code = "import sys, chainrun.pytest_plugin; print([m for m in ('numpy', 'scipy', 'pydantic', 'typer') if m in sys.modules])"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert ran.stdout.strip() == "[]"


def test_plugin_fixtures(inner):
    (inner.folder / "test_mix.py").write_text(
        textwrap.dedent(
            """
            def test_mix(render_recipe, measure):
                result = render_recipe("song.recipe.toml", sets=["buses.kit.level_db=-10"])
                file = result.deliveries[0].file
                assert measure(file).sample_peak_dbfs < -3
                assert result.reading_at("stems.kick.chain.squash.gain_reduction_max_db") > 1
                other = render_recipe("song.recipe.toml")
                assert other.deliveries[0].file != file and measure(file).sample_peak_dbfs < -3
            """
        )
    )
    inner().assert_outcomes(passed=1)


def test_verify_on_the_house_api(song):
    verdict = verify(open_recipe(song), VerifyOptions(accept=True))
    assert verdict.passed and baseline.read(verdict.baseline)["recipe"] == "song.recipe.toml"
    assert json.loads(json.dumps(verdict.record()))["accepted"]
    shutil.rmtree("out", ignore_errors=True)
