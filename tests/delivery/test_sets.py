"""Stems to give away, mixes to play along with, and one gain for a set of songs."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from chainrun.recipe import open_recipe


def test_stems_and_buses_to_give_away(session, chainrun):
    path = session.write(
        'grammar = 1\n[stems.kick]\nfile = "kick.wav"\nto = "kit"\n[stems.snare]\nfile = "snare.wav"\nto = "kit"\n[buses.kit]\n'
        '[[deliver]]\nfile = "{name}.flac"\nwhat = "stems.*"\n[[deliver]]\nfile = "kit.wav"\nwhat = "buses.kit"\n'
    )
    assert chainrun("render", path, "-o", "out").code == 0
    assert sorted(one.name for one in Path("out").iterdir()) == ["kick.flac", "kit.wav", "snare.flac"]
    assert open_recipe(path).recipe.deliver[0].loudness() == (None, None)


PLAY_ALONG = """grammar = 1
[stems.kick]
file = "kick.wav"
to = "kit"
[stems.snare]
file = "snare.wav"
to = "kit"
[stems.pair]
file = "pair.wav"
[buses.kit]
chain = [ { do = "compressor", threshold_dbfs = -20 } ]
[[deliver]]
file = "mix.wav"
bits = 32
[[deliver]]
file = "without-kit.wav"
without = ["kit"]
bits = 32
[[deliver]]
file = "kick-alone.wav"
only = ["kick"]
bits = 32
"""


def test_mixes_to_play_along_with(session, chainrun):
    path = session.write(PLAY_ALONG)
    ran = chainrun("render", path, "-o", "out", "--json")
    assert ran.code == 0, ran.err
    assert [Path(one["file"]).name for one in ran.json["deliveries"]] == [
        "mix.wav",
        "without-kit.wav",
        "kick-alone.wav",
    ]
    for name, only in (("without-kit", "pair"), ("kick-alone", "kick")):
        assert (
            chainrun(
                "render",
                path,
                "-o",
                "alone",
                "--only",
                only,
                "--set",
                "deliver.1.only=[]",
                "--set",
                "deliver.1.without=[]",
            ).code
            == 0
        )
        (alone,) = Path("alone").glob(f"*/mix.only-{only}.wav")
        expected, _ = soundfile.read(alone)
        alone.unlink()
        found, _ = soundfile.read(f"out/{name}.wav")
        assert np.array_equal(found, expected), name
    session.write(PLAY_ALONG.replace('["kit"]', '["kitt"]'))
    ran = chainrun("check", path)
    assert (ran.code, "did you mean 'kit'?" in ran.err) == (3, True)


def test_one_gain_for_a_set_keeps_the_levels_of_its_songs(session, chainrun):
    for name, level in (("loud", -3), ("soft", -12)):
        session.write(
            f'grammar = 1\n[stems.pair]\nfile = "pair.wav"\nlevel_db = {level}\n[[deliver]]\nfile = "mix.wav"\ntarget_lufs = -14\n',
            name,
        )
    Path("set.jobs.toml").write_text(
        'grammar = 1\none_gain = { target_lufs = -20, max_dbtp = -1 }\n[[job]]\nrecipes = ["loud.recipe.toml", "soft.recipe.toml"]\n'
    )
    ran = chainrun("batch", "set.jobs.toml", "--json")
    assert ran.code == 0, ran.out
    loud, soft = (record["result"]["deliveries"][0] for record in ran.json["jobs"])
    assert loud["gain_db"] == soft["gain_db"]
    assert loud["measured"]["integrated_lufs"] == pytest.approx(-20, abs=0.05)
    assert soft["measured"]["integrated_lufs"] == pytest.approx(-29, abs=0.05)
    again = chainrun("batch", "set.jobs.toml", "--json").json["jobs"]
    assert [record["state"] for record in again] == ["kept", "kept"]
