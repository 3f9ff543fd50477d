"""The life of a baseline: accepted, held, changed, refused.

Quantities are compared with ones computed here by NumPy and SciPy; that a residual 60 LU below the mix is masked, and
that steps of 0.1 dB are not heard, is common practice. Annotations are escaped as the workflow commands of hosted
CI runners document it (%, CR and LF; in properties also `:` and `,`).
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.signals import RATE, noise
from tests.songs import JUDGED

# -- verify ----------------------------------------------------------------------------------------------------------


def test_the_life_of_a_baseline(song, session, chainrun):
    first = chainrun("verify", song)
    assert (first.code, "there is no baseline" in first.out) == (1, True)
    assert chainrun("verify", song, "--accept").code == 0
    assert chainrun("verify", song).code == 0
    recipe = session.folder / "song.recipe.toml"
    recipe.write_text(JUDGED.replace("ratio = 4", "ratio = 5"))
    ran = chainrun("verify", song)
    assert ran.code == 1
    assert "cause: first in kick" in ran.out and "changed in the recipe: stems.kick.chain.squash" in ran.out
    assert "squash.gain_reduction_max_db" in ran.out
    assert chainrun("verify", song, "--accept").code == 0
    assert chainrun("verify", song).code == 0
    recipe.write_text(JUDGED.replace("ratio = 4", "ratio = 5").replace("max = -1", "max = -40"))
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
        assert (ran.code, "there is no baseline" in ran.out) == (1, True)
    assert not Path("song.baseline.toml").exists()


def test_no_baseline_overwrites_anothers(session, chainrun):
    path = session.write(JUDGED + '[variants.softer]\n"buses.kit.level_db" = -9\n')
    assert chainrun("verify", path, "--accept", "--variant", "softer").code == 0
    before = Path("song+softer.baseline.toml").read_bytes()
    other = session.write(JUDGED, name="song+softer")
    for more in ((), ("--accept",)):
        ran = chainrun("verify", other, *more)
        assert (ran.code, "the baseline of another recipe or variant" in ran.err) == (3, True)
    assert Path("song+softer.baseline.toml").read_bytes() == before


def test_a_click_in_a_quiet_place_fails(session, chainrun, tmp_path):
    """-18 dBFS for one frame, in a second of silence of 40: over all of it the residual is about -65 LU."""
    x = noise(40 * RATE, 0.2)
    x[20 * RATE : 22 * RATE] = 0
    soundfile.write(session.folder / "long.wav", x, RATE, subtype="PCM_24")
    path = session.write('grammar = 1\n[stems.long]\nfile = "long.wav"\n')
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
    path = session.write(JUDGED + '[variants.softer]\n"buses.kit.level_db" = -9\n')
    chainrun("verify", path, "--accept")
    chainrun("verify", path, "--variant", "softer", "--accept")
    assert Path("song+softer.baseline.toml").exists()
    assert chainrun("verify", path, "--variant", "softer").code == 0
    ran = chainrun("compare", "song.baseline.toml", "song+softer.baseline.toml")
    assert (ran.code, "integrated_lufs" in ran.out, "changed in the recipe: buses.kit" in ran.out) == (0, True, True)
    assert chainrun("compare", "song.baseline.toml", "song+softer.baseline.toml", "--fail-if-audible").code == 1
    other = session.write(JUDGED.replace('"mix.wav"', '"other.wav"'), name="other")
    chainrun("verify", other, "--accept")
    ran = chainrun("compare", "song.baseline.toml", "other.baseline.toml", "--fail-if-audible")
    assert (ran.code, "other.wav is in B alone" in ran.out) == (1, True)


def test_tolerances_are_the_recipes(session, chainrun):
    path = session.write(JUDGED)
    chainrun("verify", path, "--accept")
    assert chainrun("verify", path, "--set", "buses.kit.level_db=-6.05").code == 1
    loose = "[expect.tolerance]\nresidual_lu = -30\n"
    path = session.write(JUDGED + loose)
    assert chainrun("verify", path, "--set", "buses.kit.level_db=-6.05").code == 0
    assert chainrun("verify", path, "--set", "buses.kit.level_db=-7").code == 1


def test_another_dither_seed_is_no_difference(session, chainrun):
    path = session.write(JUDGED)
    chainrun("verify", path, "--accept")
    ran = chainrun("verify", path, "--set", "deliver.0.seed=9", "--json")
    assert ran.code == 0
    told = [one["text"] for one in ran.json["results"][0]["checks"] if "baseline" in one["name"]]
    assert told[0].startswith("no audible difference")


def test_with_audio_the_residual_is_exact(session, chainrun):
    path = session.write(JUDGED)
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
    rides = ", ".join(f"{{ at_s = {k}.0, gain_db = {-0.01 * k} }}" for k in range(1, 95))
    path = session.write(f'grammar = 1\n[stems.a]\nfile = "long.wav"\nride = [ {rides} ]\n')
    assert chainrun("verify", path, "--accept").code == 0
    ran = chainrun("verify", path, "--json")
    assert (ran.code, ran.json["results"][0]["checks"][0]["text"]) == (0, "identical samples")
    path.write_text(path.read_text().replace("-0.94", "-0.3"))
    ran = chainrun("verify", path, "--json")
    assert ran.code == 1 and "ride" in str(ran.json["results"][0]["cause"]["changed"])


def test_two_deliveries_of_one_stem_keep_their_own_audio(session, chainrun):
    path = session.write(JUDGED + '[[deliver]]\nfile = "mix.flac"\n[[deliver]]\nfile = "hot.wav"\nbits = 32\n')
    session.write(path.read_text().replace("level_db = -6", "level_db = 20").replace("max = -1", "max = 40"))
    ran = chainrun("verify", path, "--accept", "--with-audio")
    assert "hot.wav exceeds 0 dBFS, which FLAC cannot hold" in ran.out
    ran = chainrun("verify", path, "--set", "stems.snare.level_db=-0.5")
    assert "is not the accepted audio" not in ran.out


def test_the_same_samples_at_another_rate_are_another_file(session, chainrun):
    text = 'grammar = 1\n[stems.a]\nfile = "pair.wav"\n[[deliver]]\nfile = "mix.wav"\ndither = false\n'
    path = session.write(text)
    assert chainrun("verify", path, "--accept").code == 0
    x, _ = soundfile.read("pair.wav", dtype="int32")
    soundfile.write("pair.wav", x, 44100, subtype="PCM_24")
    ran = chainrun("verify", path)
    assert (ran.code, "rate: was 48000, now 44100" in ran.out) == (1, True)
    session.write(text + "bits = 16\n")
    assert "encoding: was PCM_24, now PCM_16" in chainrun("verify", path).out


def test_a_dither_seed_of_sixteen_bits_is_no_difference(session, chainrun):
    path = session.write(JUDGED.replace("bits = 24", "bits = 16\ntarget_lufs = -40"))
    chainrun("verify", path, "--accept")
    for seed in (7, 8):
        assert chainrun("verify", path, "--set", f"deliver.0.seed={seed}").code == 0


def test_the_changed_recording_is_named_before_the_stems_keyed_from_it(session, chainrun):
    text = 'grammar = 1\n[stems.a]\nfile = "snare.wav"\nchain = [ { do = "gate", threshold_dbfs = -20, key = { from = ["kick"] } } ]\n[stems.kick]\nfile = "kick.wav"\n'
    path = session.write(text)
    chainrun("verify", path, "--accept")
    x, rate = soundfile.read("kick.wav")
    soundfile.write("kick.wav", x[::-1], rate, subtype="FLOAT")
    ran = chainrun("verify", path, "--json")
    assert ran.json["results"][0]["cause"]["node"] == "kick"


def test_expectations_of_a_nodes_own_peak(session, chainrun):
    path = session.write(JUDGED + '"stems.kick.true_peak_dbtp" = { max = 6 }\n"buses.kit.correlation" = { min = 0 }\n')
    assert chainrun("verify", path, "--accept").code == 0
    path = session.write(JUDGED + '"stems.kick.rms_dbfs" = { min = 3, max = 1 }\n')
    ran = chainrun("check", path)
    assert (ran.code, "min is above max" in ran.err) == (3, True)


def test_refused_recipes_have_not_passed(session, chainrun):
    broken = session.write("grammar = 1\n", name="broken")
    ran = chainrun("verify", broken, "--json")
    assert (ran.code, ran.json["passed"], len(ran.json["problems"])) == (3, False, 1)


def test_notes_reach_ci(session, chainrun):
    preset = session.folder / "presets" / "hit.preset.toml"
    preset.parent.mkdir()
    preset.write_text('grammar = 1\nchain = [ { do = "gain", gain_db = -2 } ]\n')
    path = session.write('grammar = 1\n[stems.kick]\nfile = "kick.wav"\nchain = [ { preset = "hit" } ]\n')
    chainrun("verify", path, "--accept")
    preset.write_text('grammar = 1\nchain = [ { do = "gain", gain_db = -2 }, { do = "gain" } ]\n')
    ran = chainrun("verify", path, "--format", "github", "--markdown", "m.md")
    assert (ran.code, "::warning file=song.recipe.toml" in ran.out) == (0, True)
    assert "has changed since song.baseline.toml" in Path("m.md").read_text()


def test_audio_of_an_earlier_baseline_is_not_used(session, chainrun):
    path = session.write(JUDGED)
    chainrun("verify", path, "--accept", "--with-audio")
    louder = session.write(JUDGED.replace("level_db = -6", "level_db = -3"))
    ran = chainrun("verify", louder, "--accept")
    assert "song.baseline.mix.wav.flac belongs to an earlier baseline" in ran.out
    session.write(JUDGED)
    ran = chainrun("verify", path)  # back to what the old audio holds, and that is not what was accepted
    assert (ran.code, "exact residual" in ran.out) == (1, False)
    chainrun("verify", path, "--accept", "--with-audio")
    Path("song.baseline.mix.wav.flac").write_bytes(b"other")
    session.write(JUDGED.replace("level_db = -6", "level_db = -6.5"))
    ran = chainrun("verify", path)
    assert (ran.code, "is not the accepted audio" in ran.out) == (1, True)
    Path("song.baseline.mix.wav.flac").unlink()
    assert "mix.wav.flac is missing" in chainrun("verify", path).out


def test_a_changed_key_is_reported_with_its_values_and_its_line(session, chainrun):
    path = session.write(JUDGED)
    chainrun("verify", path, "--accept")
    session.write(
        JUDGED.replace("gain_db = 3", "gain_db = 6").replace("[buses.kit]\nlevel_db = -6", "[buses.kit]\nlevel_db = -7")
    )
    ran = chainrun("verify", path, "--json")
    assert ran.json["results"][0]["cause"]["changed"] == {
        "stems.snare.chain.0.bands.0.gain_db": "was 3.0, now 6.0",
        "buses.kit.level_db": "was -6.0, now -7.0",
    }
    ran = chainrun("verify", path, "--format", "github")
    assert "file=song.recipe.toml,line=9," in ran.out
    session.write(JUDGED.replace("level_db = -6\n", "level_db = -7\n"))
    assert "file=song.recipe.toml,line=11," in chainrun("verify", path, "--format", "github").out
    assert chainrun("verify", path, "--format", "github", "--json").code == 2


def test_length_rate_renamed_nodes_and_deliveries(session, chainrun):
    path = session.write(JUDGED)
    chainrun("verify", path, "--accept")
    ran = chainrun("verify", path, "--set", "stems.kick.at_s=0.25")
    assert ", now 36000 frames" in ran.out
    ran = chainrun("verify", path, "--set", "deliver.0.rate_hz=44100")
    assert "rate: was 48000, now 44100" in ran.out
    session.write(JUDGED.replace("[stems.snare]", "[stems.side_drum]"))
    ran = chainrun("verify", path, "--json")
    assert ran.json["results"][0]["passed"]
    session.write(JUDGED.replace("[stems.snare]", "[stems.side_drum]").replace("gain_db = 3", "gain_db = 9"))
    ran = chainrun("verify", path)
    assert "note: snare was removed" in ran.out and "side_drum is new" in ran.out
    session.write(JUDGED + '[[deliver]]\nfile = "more.wav"\n')
    ran = chainrun("verify", path)
    assert (ran.code, "this delivery is not in the baseline" in ran.out) == (1, True)
    session.write(JUDGED.replace('"mix.wav"', '"other.wav"'))
    assert "no longer rendered" in chainrun("verify", path).out


def test_a_changed_preset_is_reported(session, chainrun):
    preset = session.folder / "presets" / "hit.preset.toml"
    preset.parent.mkdir()
    preset.write_text('grammar = 1\nchain = [ { do = "gain", gain_db = -2 } ]\n')
    path = session.write('grammar = 1\n[stems.kick]\nfile = "kick.wav"\nchain = [ { preset = "hit" } ]\n')
    chainrun("verify", path, "--accept")
    preset.write_text('grammar = 1\nabout = "prose is no sound"\nchain = [ { do = "gain", gain_db = -2 } ]\n')
    assert "note" not in chainrun("verify", path).out
    preset.write_text('grammar = 1\nchain = [ { do = "gain", gain_db = -3 } ]\n')
    ran = chainrun("verify", path)
    assert (ran.code, "preset hit has changed since song.baseline.toml was accepted" in ran.out) == (1, True)
    checked = chainrun("check", path)
    assert (checked.code, "warning: the library's preset hit has changed" in checked.err) == (0, True)


DAMAGED = {
    "cut": lambda text: text[: len(text) // 2],
    "other": lambda text: "x = 1\n",
    "newer": lambda text: text.replace("grammar = 1", "grammar = 3", 1),
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
    "a fraction": lambda text: text.replace("grammar = 1", "grammar = 1.0", 1),
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


def test_expectations_of_missing_readings(session, chainrun):
    for line, text in (
        ("loudness = { max = 0 }", "'loudness' is not measured"),
        ('"stems.kik.rms_dbfs" = { max = 0 }', "did you mean 'kick'"),
        (
            '"stems.kick.chain.squish.gain_reduction_max_db" = { max = 9 }',
            "no such step in stems.kick\n    hint: did you mean 'chain.squash'",
        ),
        ('integrated_lufs = { max = 0, delivery = "mixx.wav" }', "did you mean 'mix.wav'"),
    ):
        path = session.write(JUDGED.split("[expect]")[0] + f"[expect]\n{line}\n")
        ran = chainrun("verify", path, "--accept")
        assert (ran.code, text in ran.err, "song.recipe.toml:16" in ran.err) == (3, True, True), ran.err
        assert chainrun("check", path).err == ran.err
    path = session.write(JUDGED.split("[expect]")[0] + '[expect]\n"stems.kick.sample_peak_dbfs" = { min = -30 }\n')
    assert chainrun("verify", path, "--accept").code == 0


def test_an_unchanged_demo_is_quick(demo, chainrun, monkeypatch, tmp_path):
    """Nothing is rendered or measured again: all prints come from the store (the bench measures the time)."""
    monkeypatch.chdir(tmp_path)
    recipe = Path("recipes/tithe-barn.recipe.toml")
    chainrun("verify", recipe, "--accept")
    ran = chainrun("verify", recipe)
    assert ran.code == 0, ran.out
    assert ran.err.count("rendered") == 0
