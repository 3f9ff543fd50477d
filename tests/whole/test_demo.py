"""The demo session: the script makes it, the recipe mixes it, and the numbers are those of the README."""

from __future__ import annotations

import json

import numpy as np
import pytest
import soundfile

from tests.signals import ROOT, demo_maker

FOLDER = ROOT / "fixtures" / "tithe-barn"


@pytest.fixture(scope="module")
def script():
    return demo_maker()


def test_the_script_makes_the_committed_session(script):
    made = script.make_session()
    assert {p.stem for p in FOLDER.glob("*.flac")} == set(made.stems)
    for name, (rate, x) in made.stems.items():
        stored, stored_rate = soundfile.read(FOLDER / f"{name}.flac", dtype="int16", always_2d=True)
        assert stored_rate == rate
        # Another processor's FFT may round the last bit of 16 the other way.
        difference = np.abs(stored.astype(int) - script.to_int16(x).astype(int))
        assert difference.max() <= 1, name
    truth = json.loads((FOLDER / "truth.json").read_text())
    assert truth["planted"]["inverted"] == ["snare_under"]
    assert set(truth["delays_samples"]) == set(made.truth["delays_samples"])


def test_it_is_small_and_long_enough():
    assert sum(p.stat().st_size for p in FOLDER.iterdir()) < 8_000_000
    assert 8 <= soundfile.info(FOLDER / "kick.flac").duration <= 12


def test_the_planted_faults_are_there(script):
    def stem(name):
        return soundfile.read(FOLDER / f"{name}.flac", always_2d=True)[0][:, 0]

    assert stem("floor_tom").mean() == pytest.approx(script.DC_OFFSET, abs=5e-4)
    assert np.count_nonzero(np.abs(stem("barn")) >= 0.9999) > 50
    assert soundfile.info(FOLDER / "fiddle.flac").samplerate == 44100
    spectrum = np.abs(np.fft.rfft(stem("bass_di")))
    assert spectrum[500] > 5 * np.median(spectrum[450:550])  # 50 Hz in 10 s


def test_the_demo_renders_to_its_target(demo, chainrun, tmp_path):
    ran = chainrun("render", demo, "-o", tmp_path / "out", "--json")
    assert ran.code == 0, ran.err
    found = ran.json
    (delivery,) = found["deliveries"]
    assert delivery["measured"]["integrated_lufs"] == pytest.approx(-16, abs=0.1)
    assert delivery["measured"]["true_peak_dbtp"] <= -1
    assert -2.5 <= delivery["gain_db"] <= 0, "mixed into the limiter: the final gain is a small cut"
    # No warning unexplained: the README explains these two.
    assert [w.split(":")[0] for w in found["warnings"]] == ["fiddle", "barn"]
    # common practice: a gentle bus compressor takes 1 to 4 dB from the hits.
    (glue,) = found["nodes"]["kit"]["readings"]
    assert 1 <= glue["gain_reduction_max_db"] <= 6


def test_the_demo_uses_at_least_six_presets(demo):
    from chainrun.recipe import open_recipe

    assert len({use.name for use in open_recipe(demo).uses}) >= 6


def test_the_harder_variant_is_harder(demo, chainrun, tmp_path):
    plain = chainrun("render", demo, "-o", tmp_path / "a", "--json").json
    harder = chainrun("render", demo, "-o", tmp_path / "b", "--variant", "harder", "--json").json

    def largest(found):
        return found["nodes"]["kit"]["readings"][0]["gain_reduction_max_db"]

    assert largest(harder) > largest(plain) + 2


def test_saturation_is_audible_in_the_numbers(demo, chainrun, tmp_path):
    """With the demo's saturation the snare's crest falls, and the bass gains harmonics above its middle band."""
    stems = '[[deliver]]\nfile = "{name}.wav"\nwhat = "stems.*"\nbits = 32\n'
    demo.write_text(demo.read_text().replace("[variants.harder]", stems + "\n[variants.harder]"))
    off = ["--set", "stems.snare_top.chain.bite.bypass=true", "--set", "stems.bass_di.chain.growl.bypass=true"]
    assert chainrun("render", demo, "-o", tmp_path / "with", "--quiet").code == 0
    assert chainrun("render", demo, "-o", tmp_path / "without", "--quiet", *off).code == 0

    def stem(which, name):
        (path,) = (tmp_path / which).rglob(f"{name}.wav")
        return soundfile.read(path)[0]

    def crest(x):
        return 20 * np.log10(np.abs(x).max() / np.std(x))

    assert crest(stem("with", "snare_top")) < crest(stem("without", "snare_top")) - 1

    def harmonics(x):
        """Level of the second harmonic of the first long note (D2, 73.4 Hz) over its fundamental's neighbours."""
        note = x[int(0.3 * 48000) : int(0.8 * 48000)] * np.hanning(24000)
        return np.abs(np.fft.rfft(note))

    with_growl, without = harmonics(stem("with", "bass_di")), harmonics(stem("without", "bass_di"))
    bottom, middle = slice(30, 60), slice(150, 700)  # 60 to 120 Hz, 300 to 1400 Hz, in lines of 2 Hz
    assert 20 * np.log10(np.abs(with_growl[bottom].sum() / without[bottom].sum())) == pytest.approx(0, abs=1)
    # Between the string's partials the curve puts lines of its own: the spectrum's valleys fill up.
    assert np.median(with_growl[middle]) > 1.2 * np.median(without[middle])


def test_every_preset_is_valid_and_is_used_by_a_recipe_or_here(chainrun, session):
    """Each preset of recipes/presets runs, on a mono or a stereo stem as it needs."""
    import shutil

    shutil.copytree(ROOT / "recipes" / "presets", session.folder / "presets")
    names = sorted(
        str(path.relative_to(session.folder / "presets")).removesuffix(".preset.toml").removeprefix("retired/")
        for path in (session.folder / "presets").rglob("*.preset.toml")
    )
    assert len(names) >= 24
    recipe = "grammar = 1\n"
    for i, name in enumerate(names):
        file = "pair.wav" if name.split("/")[0] in ("overheads", "keys", "bus", "main", "tone") else "kick.wav"
        recipe += (
            f'[stems.s{i}]\nfile = "{file}"\nhit_level_dbfs = -3\nlevel_db = -30\nchain = [ {{ preset = "{name}" }} ]\n'
        )
    ran = chainrun("render", session.write(recipe), "-o", "out", "--json")
    assert ran.code == 0, ran.err
    for path in (session.folder / "presets").rglob("*.preset.toml"):
        text = path.read_text()
        assert "about = " in text and "since = " in text and "suits = " in text, path
