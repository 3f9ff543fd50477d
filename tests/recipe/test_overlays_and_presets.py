"""Presets unfold, overlays and sets reach their places, resolved recipes stand alone."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from chainrun.errors import RecipeError
from chainrun.recipe import Overrides, open_recipe
from chainrun.recipe.resolve import resolved_text

BASE = """grammar = 1
[stems.kick]
file = "kick.wav"
chain = [ { do = "gate", name = "door", threshold_dbfs = -30 }, { do = "gain", gain_db = 1 }, { preset = "snap", name = "sound" } ]
[stems.snare]
file = "snare.wav"
to = "kit"
[buses.kit]
chain = [ { do = "compressor", threshold_dbfs = -18 } ]
[variants.harder]
"buses.kit.chain.0.attack_ms" = 4
[variants.cold]
stems = { kick = { level_db = -9 } }
remove = ["stems.kick.chain.door"]
"""

SNAP = """grammar = 1
was = ["old/snap"]
chain = [ { do = "eq", bands = [ { kind = "bell", freq_hz = 100, gain_db = 2 } ] }, { do = "compressor", threshold_dbfs = -20, note = "the second step" } ]
"""


@pytest.fixture
def song(session):
    (session.folder / "presets").mkdir()
    (session.folder / "presets" / "snap.preset.toml").write_text(SNAP)
    return session.write(BASE)


def opened(path, **more):
    return open_recipe(Path(path), Overrides(**more)).recipe


def test_presets_unfold_in_place(song):
    chain = opened(song).stems["kick"].chain
    assert [step.do for step in chain] == ["gate", "gain", "eq", "compressor"]
    assert open_recipe(song).addresses("stems", "kick") == [
        ("chain.0", "chain.door"),
        ("chain.1", "chain.1"),
        ("chain.2.eq", "chain.sound.eq"),
        ("chain.2.compressor", "chain.sound.compressor"),
    ]


def test_set_reaches_into_a_preset(song):
    assert (
        opened(song, sets=["stems.kick.chain.sound.set.eq.bands.0.gain_db=-4"]).stems["kick"].chain[2].bands[0].gain_db
        == -4
    )
    assert opened(song, sets=["stems.kick.chain.2.set.compressor.ratio=9"]).stems["kick"].chain[3].ratio == 9


def test_set_without_quotes_reaches_the_same_place(song):
    song.write_text(BASE.replace('name = "sound"', 'name = "sound", set = { eq.bands.0.gain_db = -5 }'))
    assert opened(song).stems["kick"].chain[2].bands[0].gain_db == -5


def test_a_step_removed_twice_is_removed(song, session):
    overlay = session.folder / "my.overlay.toml"
    overlay.write_text('remove = ["stems.kick.chain.door", "stems.kick.chain.0", "stems.kick.chain.1"]\n')
    assert [step.do for step in opened(song, overlays=[overlay]).stems["kick"].chain] == ["eq", "compressor"]


def test_resolved_names_stay_unique(song, session):
    song.write_text(BASE.replace('chain = [ { do = "gate"', 'chain = [ { preset = "snap" }, { do = "gate"'))
    preset = session.folder / "presets" / "snap.preset.toml"
    preset.write_text(SNAP.replace('{ do = "eq"', '{ do = "eq", name = "shape"'))
    alone = session.write(resolved_text(open_recipe(song), session.folder), "alone")
    assert len(opened(alone).stems["kick"].chain) == 6


def test_a_former_name_resolves(song):
    song.write_text(BASE.replace('preset = "snap"', 'preset = "old/snap"'))
    assert len(opened(song).stems["kick"].chain) == 4


def test_a_retired_preset_still_works_and_says_so(song, session):
    folder = session.folder / "presets"
    (folder / "retired").mkdir()
    (folder / "snap.preset.toml").rename(folder / "retired" / "snap.preset.toml")
    path = folder / "retired" / "snap.preset.toml"
    path.write_text(SNAP + 'status = "retired"\nretired_in = 2026\nreplaced_by = "crack"\n')
    found = open_recipe(song)
    assert len(found.recipe.stems["kick"].chain) == 4
    assert "retired in 2026; its successor is crack" in found.problems.warnings[0].message


def test_bypass_and_mix_of_a_preset_use(song):
    song.write_text(BASE.replace('name = "sound"', 'name = "sound", bypass = true'))
    assert [step.bypass for step in opened(song).stems["kick"].chain] == [False, False, True, True]
    song.write_text(BASE.replace('name = "sound"', 'name = "sound", mix_pct = 30'))
    last = opened(song).stems["kick"].chain[-1]
    assert (last.do, last.mix_pct, [s.do for s in last.branches[0].chain]) == (
        "branches",
        30,
        ["eq", "compressor"],
    )


def test_variants_overlays_and_set_in_their_order(song, session):
    overlay = session.folder / "my.overlay.toml"
    overlay.write_text('"buses.kit.chain.compressor.attack_ms" = 5\n[stems.kick]\nlevel_db = -2\n')
    kit = opened(song, variant="harder").buses["kit"].chain[0]
    assert kit.attack_ms == 4
    both = opened(song, variant="harder", overlays=[overlay])
    assert (both.buses["kit"].chain[0].attack_ms, both.stems["kick"].level_db) == (5, -2)
    last = opened(song, variant="harder", overlays=[overlay], sets=["buses.kit.chain.0.attack_ms=6"])
    assert last.buses["kit"].chain[0].attack_ms == 6


def test_remove_and_tables_in_a_variant(song):
    cold = opened(song, variant="cold")
    assert [step.do for step in cold.stems["kick"].chain] == ["gain", "eq", "compressor"]
    assert cold.stems["kick"].level_db == -9


def test_an_array_given_whole_replaces(song, session):
    overlay = session.folder / "my.overlay.toml"
    overlay.write_text('[stems.kick]\nchain = [ { do = "gain", gain_db = -1 } ]\n')
    assert [step.do for step in opened(song, overlays=[overlay]).stems["kick"].chain] == ["gain"]


def test_replace_presets_acts_everywhere(song, session):
    folder = session.folder
    (folder / "presets" / "crack.preset.toml").write_text('grammar = 1\nchain = [ { do = "gain", gain_db = 6 } ]\n')
    (folder / "my.overlay.toml").write_text('[replace_presets]\n"snap" = "crack"\n')
    assert [s.do for s in opened(song, overlays=[folder / "my.overlay.toml"]).stems["kick"].chain] == [
        "gate",
        "gain",
        "gain",
    ]


def test_base(song, session):
    sub = session.folder / "songs"
    sub.mkdir()
    (session.folder / ".chainrun-root").touch()
    (sub / "two.recipe.toml").write_text('grammar = 1\nbase = "../song.recipe.toml"\n[stems.kick]\nlevel_db = -7\n')
    found = open_recipe(sub / "two.recipe.toml")
    assert found.recipe.stems["kick"].level_db == -7
    assert found.stem_files("kick")[0].exists(), "paths stay relative to the file in which they stand"


def test_a_problem_has_the_place_where_it_was_written(song, session):
    overlay = session.folder / "my.overlay.toml"
    overlay.write_text('\n"stems.kick.chain.1.gain_db" = 900\n')
    with pytest.raises(RecipeError) as refused:
        opened(song, overlays=[overlay], sets=["stems.snare.level_db=99"])
    places = {(p.file, p.line) for p in refused.value.problems}
    assert places == {("my.overlay.toml", 2), ("command line", None)}


def test_resolved_needs_no_library(song, session):
    text = resolved_text(open_recipe(song, Overrides(variant="harder")), session.folder)
    assert "preset" not in tomllib.loads(text)["stems"]["kick"]["chain"][2]
    (session.folder / "presets" / "snap.preset.toml").unlink()
    alone = session.write(text, "alone")
    assert opened(alone).buses["kit"].chain[0].attack_ms == 4
    assert [s.do for s in opened(alone).stems["kick"].chain] == ["gate", "gain", "eq", "compressor"]
