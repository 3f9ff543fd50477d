"""Rendering a part never touches the files of the whole: which file a render writes, and at which gain."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
import soundfile

import chainrun as library

RECIPE = """
grammar = 1
[stems.kick]
file = "kick.wav"
to = "kit"
[stems.snare]
file = "snare.wav"
level_db = -12
to = "kit"
[stems.pair]
file = "pair.wav"
[buses.kit]
[main]
chain = [ { do = "limiter", ceiling_dbtp = -1 } ]
[[deliver]]
file = "mix.wav"
target_lufs = -18
max_dbtp = -1
fit = "limiter"
sidecar = true
[[deliver]]
file = "stems/{name}.wav"
what = "stems.*"
[[deliver]]
file = "no-kick.flac"
without = ["kick"]
target_lufs = -20
[variants.soft]
"main.chain.0.ceiling_dbtp" = -6
"""


@pytest.fixture
def song(session):
    """A longer session than usual, so that loudness can be measured."""
    for name in ("kick", "snare", "pair"):
        x, rate = soundfile.read(f"{name}.wav", always_2d=True)
        soundfile.write(f"{name}.wav", [*x] * 4, rate, subtype="FLOAT")
    Path("louder.overlay.toml").write_text('"stems.snare.level_db" = 0.0\n')
    return session.write(RECIPE)


def contents(folder):
    return {path.relative_to(folder): path.read_bytes() for path in Path(folder).rglob("*") if path.is_file()}


CHANGES = {
    "": [],
    "soft": ["--variant", "soft"],
    "louder": ["--overlay", "louder.overlay.toml"],
    "set-": ["--set", "stems.kick.level_db=-6"],
}

PARTS = {
    "": [],
    ".only-snare": ["--only", "snare"],
    ".only-kit": ["--only", "kit"],
    ".0.5-1s": ["--from", "0.5", "--to", "1"],
    ".only-snare+pair.0.5-1s": ["--only", "snare,pair", "--from", "0.5", "--to", "1"],
}


@pytest.mark.parametrize("keeps", [[], ["--no-store"]])
def test_no_part_and_no_change_touches_the_whole(song, chainrun, keeps):
    """Over all combinations: every file of the whole keeps its bytes, and each combination has files of its own."""
    assert chainrun("render", song, "-o", "out", *keeps).code in (0, 1)
    whole = contents("out")
    known = dict(whole)
    for change, part in itertools.product(CHANGES, PARTS):
        if not change and not part:
            continue
        ran = chainrun("render", song, "-o", "out", "--json", *CHANGES[change], *PARTS[part], *keeps)
        assert ran.code in (0, 1), ran.err
        files = [Path(one["file"]).relative_to("out") for one in ran.json["deliveries"]]
        assert files, (change, part)
        now = contents("out")
        assert {path: now[path] for path in known} == known, (change, part)
        assert not set(files) & set(known), (change, part)
        for file in files:
            assert file.stem.endswith(part), file
            assert (file.parts[0].startswith(f"song.{change}")) == bool(change), file
        known = now


@pytest.mark.parametrize("kept", [True, False])
def test_a_solo_has_the_gain_of_the_whole_mix(song, chainrun, kept):
    whole = chainrun("render", song, "-o", "out", "--json").json["deliveries"]
    gain = whole[0]["gain_db"]
    more = [] if kept else ["--no-store"]
    for only in ("snare", "kit", "kick,pair"):
        ran = chainrun("render", song, "-o", "out", "--only", only, "--json", *more)
        assert ran.code == 0, ran.err  # the target is the whole mix's, and a solo does not miss it
        first = ran.json["deliveries"][0]
        assert first["gain_db"] == gain, only
        assert first["gain_of"] == "the whole mix"
        assert first["limited_max_db"] is not None
        assert first["limited_max_db"] <= whole[0]["limited_max_db"] + 1.0
    # The parts of the mix add up to less than its target: a solo of a quiet stem is quiet.
    assert first["measured"]["integrated_lufs"] < -17
    screen = chainrun("render", song, "-o", "out", "--only", "snare", *more)
    assert f"has the gain of the whole mix, {gain:+.2f} dB" in screen.out


def test_a_solo_writes_no_delivery_that_is_silent_in_it(song, chainrun):
    ran = chainrun("render", song, "-o", "out", "--only", "kit", "--json").json
    names = sorted(Path(one["file"]).name for one in ran["deliveries"])
    assert names == ["kick.only-kit.wav", "mix.only-kit.wav", "no-kick.only-kit.flac", "snare.only-kit.wav"]


def test_a_stretch_of_a_solo_has_the_gain_of_the_whole_mix_where_that_is_kept(song, chainrun):
    gain = chainrun("render", song, "-o", "out", "--json").json["deliveries"][0]["gain_db"]
    ran = chainrun("render", song, "-o", "out", "--only", "snare", "--from", "0.5", "--to", "1.5", "--json").json
    assert ran["deliveries"][0]["gain_db"] == pytest.approx(gain, abs=1e-9)


def test_a_part_does_not_overwrite_a_delivery_of_its_name(session, chainrun):
    path = session.write(
        RECIPE.replace('file = "no-kick.flac"', 'file = "mix.only-kick.wav"').replace('without = ["kick"]', "")
    )
    ran = chainrun("render", path, "-o", "out", "--only", "kick")
    assert (ran.code, "overwrite a delivery of the whole mix" in ran.err) == (3, True)


def test_the_library_follows_the_same_rule(song):
    whole = library.render(library.load(song), "out")
    before = contents("out")
    solo = library.render(library.load(song), "out", only=["snare"])
    changed = library.render(library.load(song, set={"stems.kick.level_db": -6.0}), "out")
    assert {path: contents("out")[path] for path in before} == before
    names = {Path(result.deliveries[0].file).relative_to("out").as_posix() for result in (whole, solo, changed)}
    assert len(names) == 3


def test_jobs_with_a_solo_keep_to_their_own_names(song, chainrun):
    Path("night.jobs.toml").write_text(
        'grammar = 1\n[[job]]\nrecipes = ["song.recipe.toml"]\nout = "out/song"\n'
        '[[job]]\nrecipes = ["song.recipe.toml"]\nname = "solo"\nonly = ["snare"]\nout = "out/song"\n'
    )
    assert chainrun("batch", "night.jobs.toml").code in (0, 1)
    assert Path("out/song/mix.wav").exists()
    assert Path("out/song/mix.only-snare.wav").exists()


def test_a_changed_recipe_does_not_overwrite_the_unchanged_one(session, chainrun):
    """A variant's folder may have the name of a delivery's, or of another recipe's."""
    text = (
        'grammar = 1\n[stems.kick]\nfile = "kick.wav"\n[[deliver]]\nfile = "mix.wav"\n'
        '[[deliver]]\nfile = "song.dry/mix.wav"\n[variants.dry]\n"stems.kick.level_db" = -3\n'
    )
    path = session.write(text)
    assert chainrun("render", path, "-o", "out").code == 0
    before = (session.folder / "out/song.dry/mix.wav").read_bytes()
    ran = chainrun("render", path, "-o", "out", "--variant", "dry")
    assert ran.code == 3, ran.err
    assert "overwrite a delivery of the unchanged recipe" in ran.err
    assert (session.folder / "out/song.dry/mix.wav").read_bytes() == before

    session.write(text.replace("song.dry/mix.wav", "second.wav"))
    session.write(text, "song.dry")
    ran = chainrun("render", path, "-o", "else", "--variant", "dry")
    assert ran.code == 3, ran.err
    assert "another recipe" in ran.err
