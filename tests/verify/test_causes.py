"""Causes that are true: the order of steps, deliveries by their file, and changes of a recording, in words."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from chainrun.verify.reports import in_repository
from tests.signals import drums, noise

RATE = 48000
SONG = """grammar = 1
[stems.kick]
file = "kick.wav"
to = "kit"
chain = [ { do = "gain", name = "push", gain_db = 6 }, { do = "saturate", name = "bite" }, { do = "gain", name = "trim", gain_db = -3 } ]
[stems.pair]
file = "pair.wav"
[buses.kit]
[[deliver]]
file = "mix.wav"
[[deliver]]
file = "kit.wav"
what = "buses.kit"
"""


@pytest.fixture
def song(session, chainrun):
    """A song of six seconds, accepted."""
    kick, pair = drums(6 * RATE, seed=1) * 0.3, np.stack([noise(6 * RATE, 0.05, seed=2), drums(6 * RATE, seed=3) * 0.1])
    soundfile.write("kick.wav", kick, RATE, subtype="FLOAT")
    soundfile.write("pair.wav", pair.T, RATE, subtype="FLOAT")
    path = session.write(SONG)
    assert chainrun("verify", path, "--accept").code == 0
    return path, kick, pair


def test_the_order_of_steps(song, session, chainrun):
    path, *_ = song
    a, b = '{ do = "gain", name = "push", gain_db = 6 }', '{ do = "saturate", name = "bite" }'
    session.write(SONG.replace(f"{a}, {b}", f"{b}, {a}"))
    ran = chainrun("verify", path)
    assert ran.code == 1
    assert "stems.kick.chain (order was push, bite, trim, now bite, push, trim)" in ran.out
    assert "nothing changed in the recipe" not in ran.out


def test_deliveries_are_matched_by_their_file(song, session, chainrun):
    path, *_ = song
    session.write(SONG.replace("[[deliver]]", '[[deliver]]\nfile = "first.wav"\nbits = 16\n[[deliver]]', 1))
    ran = chainrun("verify", path)
    assert ran.code == 1
    assert "this delivery is not in the baseline" in ran.out
    assert "order was" not in ran.out.partition("cause:")[2], ran.out
    session.write(SONG.replace('file = "kit.wav"\n', 'file = "kit.wav"\nbits = 16\n'))
    ran = chainrun("verify", path)
    assert "deliver.1.bits (was not set, now 16)" in ran.out


def shifted(x, n):
    return np.concatenate([np.zeros(n), x[:-n]])


def faded(x, begin_s, end_s):
    y = x.copy()
    y[int(begin_s * RATE) : int(end_s * RATE)] = 0.0
    return y


def clicked(x):
    y = x.copy()
    y[int(3.2 * RATE)] = 0.9
    return y


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda x: -x, "polarity inverted"),
        (lambda x: x * 10 ** (0.3 / 20), "+0.30 dB"),
        (lambda x: -x * 10 ** (-1 / 20), "polarity inverted; -1.00 dB"),
        (lambda x: shifted(x, 1), "1 samples later"),
        (lambda x: shifted(x, 480), "480 samples later"),
        (lambda x: np.concatenate([x[37:], np.zeros(37)]), "37 samples earlier"),
        (clicked, "a click near 0:03"),
        (lambda x: faded(x, 2.0, 2.6), "between 0:02 and 0:03: a gap?"),
        (lambda x: x[: 5 * RATE], "48000 frames shorter"),
        (lambda x: drums(6 * RATE, seed=9) * 0.3, "a different recording"),
    ],
    ids=["flip", "gain", "flip and gain", "1 sample", "480 samples", "earlier", "click", "dropout", "shorter", "other"],
)  # fmt: skip
def test_changes_of_a_recording_are_described_in_words(song, chainrun, change, said):
    path, kick, _ = song
    soundfile.write("kick.wav", change(kick), RATE, subtype="FLOAT")
    ran = chainrun("verify", path)
    assert ran.code == 1
    cause = ran.out.partition("cause:")[2]
    assert f"stems.kick.file ({said}" in cause or ("stems.kick.file (" in cause and said in cause), ran.out
    if said == "a different recording":
        assert "samples" not in cause
        assert "dB)" not in cause.partition("stems.kick.file")[2].splitlines()[0]


def test_swapped_sides_and_one_side_alone(song, chainrun):
    path, _, pair = song
    soundfile.write("pair.wav", pair[::-1].T, RATE, subtype="FLOAT")
    assert "stems.pair.file (left and right are swapped)" in chainrun("verify", path).out
    soundfile.write("pair.wav", (pair * [[1.0], [-1.0]]).T, RATE, subtype="FLOAT")
    assert "stems.pair.file (right: polarity inverted)" in chainrun("verify", path).out
    soundfile.write("pair.wav", -pair.T, RATE, subtype="FLOAT")
    assert "stems.pair.file (polarity inverted)" in chainrun("verify", path).out


@pytest.mark.parametrize("where", [".", "songs", ".."])
def test_annotations_are_one_a_recipe_with_the_repositorys_paths(session, chainrun, monkeypatch, where):
    (session.folder / "repo" / ".git").mkdir(parents=True)
    songs = session.folder / "repo" / "songs" / "a"
    songs.mkdir(parents=True)
    for name in ("kick", "pair"):
        (songs / f"{name}.wav").write_bytes((session.folder / f"{name}.wav").read_bytes())
    path = songs / "song.recipe.toml"
    path.write_text(SONG.replace("gain_db = 6", "gain_db = -6") + '[variants.soft]\n"buses.kit.level_db" = -12\n')
    monkeypatch.chdir((session.folder / "repo" / where).resolve())
    assert chainrun("verify", path, "--accept").code == 0
    path.write_text(path.read_text().replace("gain_db = -6", "gain_db = -7"))
    import os

    ran = chainrun("verify", os.path.relpath(path), "--format", "github")
    lines = [line for line in ran.out.splitlines() if line.startswith("::")]
    assert len(lines) == 2, ran.out
    assert all("file=songs/a/song.recipe.toml,line=5," in line for line in lines), lines
    assert "title=song (soft)" in lines[1]
    assert "cause: first in kick" in lines[0]
    (songs / "song.baseline.toml").unlink()
    path.write_text(path.read_text().replace("grammar = 1", "grammar = 2"))
    ran = chainrun("verify", os.path.relpath(path), "--format", "github")
    assert "file=songs/a/song.recipe.toml,line=1," in ran.out


def test_paths_outside_a_repository(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert in_repository(Path("a/../b.recipe.toml")) == "b.recipe.toml"


def test_the_range_of_a_short_programme_is_marked_and_not_judged(session, chainrun):
    """The silence that used to follow the signal could itself make 12 LU of range."""
    path = session.write('grammar = 1\n[stems.a]\nfile = "a.wav"\n[[deliver]]\nfile = "mix.wav"\n')
    soundfile.write("a.wav", noise(8 * RATE, 0.05), RATE)
    assert chainrun("verify", path, "--accept").code == 0
    measured = chainrun("measure", "a.wav", "--json").json["files"][0]["measured"]
    assert measured["range_is_short"] is True
    assert measured["range_lu"] < 0.5
    assert " short" in chainrun("measure", "a.wav").out
    assert "short programme" in chainrun("compare", "a.wav", "a.wav").out
    x = noise(8 * RATE, 0.05)
    x[4 * RATE :] *= 0.2
    soundfile.write("a.wav", x, RATE)
    names = [one["name"] for one in chainrun("verify", path, "--json").json["results"][0]["checks"]]
    assert names
    assert not [name for name in names if name.endswith("range_lu")]
    soundfile.write("long.wav", noise(61 * RATE, 0.05), RATE)
    assert "range_is_short" not in chainrun("measure", "long.wav", "--json").json["files"][0]["measured"]
