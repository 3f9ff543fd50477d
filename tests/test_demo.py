"""The demo session: the script makes it, the recipe mixes it, and the numbers are those of the README."""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

ROOT = Path(__file__).parent.parent
FOLDER = ROOT / "fixtures" / "tithe-barn"


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("tithe_barn", ROOT / "fixtures" / "tithe_barn.py")
    module = importlib.util.module_from_spec(spec)
    import sys

    sys.modules["tithe_barn"] = module
    spec.loader.exec_module(module)
    return module


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
    # No warning unexplained: the README tells of these two.
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

    def most(found):
        return found["nodes"]["kit"]["readings"][0]["gain_reduction_max_db"]

    assert most(harder) > most(plain) + 2
