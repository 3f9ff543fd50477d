"""True proposals: none for unread recipes, silence, other keys, other levels, or likeness through a third preset."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest
import soundfile

from chainrun.library.alike import Apart, clusters, on_stems, pairs, profiles
from chainrun.library.shelf import Shelf
from chainrun.library.usage import usage
from tests.cull.shelves import RATE, preset
from tests.signals import drums, noise


def plan_of(chainrun, band, *more):
    path = band / "2026.cull.toml"
    path.unlink(missing_ok=True)
    ran = chainrun("cull", "plan", "--presets", "library", "--write", path, "--year", 2026, "--recipes", *more)
    return ran, path.read_text() if path.exists() else ""


def test_unread_recipes_are_reported_first_and_nothing_counts_as_unused(band, chainrun):
    """A missing root mark once made a plan propose to retire 48 presets in daily use."""
    ran, text = plan_of(chainrun, band, "songs/*.recipe.toml")
    assert ran.code == 0
    assert [one["decision"] for one in tomllib.loads(text)["preset"] if one["name"] == "nobody/uses-it"] == ["retire"]
    (band / ".chainrun-root").unlink()
    ran, text = plan_of(chainrun, band, "songs/*.recipe.toml")
    assert ran.code == 1
    assert "left out" in ran.err.splitlines()[0]
    assert "could not be read" in ran.out
    assert text.startswith("# NOT READ: 4 recipes")
    assert not [one for one in tomllib.loads(text)["preset"] if one["decision"] == "retire"]
    assert "used nowhere" not in text


def library_of(tmp_path, **chains):
    for name, chain in chains.items():
        preset(tmp_path / "library", name, chain, since=2020)
    shelf = Shelf([tmp_path / "library"])
    return shelf, {frozenset((one.one, one.other)): one for one in pairs(profiles(shelf, list(chains), None))}


def test_silence_is_like_nothing(tmp_path):
    echo = {"do": "echo", "feedback_pct": 20}
    _, apart = library_of(
        tmp_path,
        long=[{**echo, "time_ms": 2500.0}],
        longer=[{**echo, "time_ms": 2900.0}],
        mute=[{"do": "gain", "gain_db": -120}],
    )
    assert not any(one.alike for one in apart.values()), apart


def test_presets_with_other_keys_are_not_alike(tmp_path):
    gate = {"do": "gate", "threshold_dbfs": -30.0}
    keyed = {**gate, "key": {"from": ["snare"]}}
    _, apart = library_of(
        tmp_path, plain=[gate], keyed=[keyed], other=[{**gate, "key": {"from": ["kick"]}}], twin=[{**keyed, "threshold_dbfs": -30.01}]
    )  # fmt: skip
    alike = {pair for pair, one in apart.items() if one.replaceable}
    assert alike == {frozenset(("keyed", "twin"))}


def test_another_level_is_no_replacement(tmp_path):
    _, apart = library_of(
        tmp_path,
        soft=[{"do": "gain", "gain_db": -3}],
        loud=[{"do": "gain", "gain_db": 0}],
        near=[{"do": "gain", "gain_db": 0.4}],
    )
    assert apart[frozenset(("soft", "loud"))].alike
    assert not apart[frozenset(("soft", "loud"))].replaceable
    assert apart[frozenset(("near", "loud"))].replaceable


def pair_of(one, other, lu):
    return Apart(one, other, lu, "hits", 0.0, 0.0, 0.0)


def test_every_pair_of_a_group_is_within_the_limit():
    """a is like b, and b like c, but a is not like c: no proposal goes from a to c."""
    near = [pair_of("a", "b", -40.0), pair_of("b", "c", -35.0), pair_of("a", "c", -12.0), pair_of("d", "e", -50.0)]
    assert sorted(clusters(near)) == [["a", "b"], ["d", "e"]]


def test_both_channels_of_a_stem_count(tmp_path, monkeypatch):
    """Two presets that differ on the right side alone, on a stereo stem: once only the left side counted."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / ".chainrun-root").touch()
    band = {"kind": "bell", "freq_hz": 1000, "gain_db": 6}
    shelf, apart = library_of(
        tmp_path,
        both=[{"do": "eq", "bands": [{**band, "acts_on": "left"}]}],
        left=[{"do": "eq", "bands": [{**band, "acts_on": "left"}, {**band, "gain_db": 0.5, "acts_on": "right"}]}],
    )
    soundfile.write("pair.wav", np.stack([noise(RATE, 0.1), drums(RATE)]).T, RATE, subtype="FLOAT")
    (tmp_path / "a.recipe.toml").write_text(
        'grammar = 1\npresets_dirs = ["library"]\n[stems.pair]\nfile = "pair.wav"\nchain = [ { preset = "both" } ]\n'
    )
    known = usage([tmp_path / "a.recipe.toml"])
    near = on_stems(shelf, [pair_of("both", "left", -40.0)], known)
    assert near[0].stem_residual_lu is not None
    assert near[0].stem_residual_lu > -60.0
    assert apart


def test_a_plan_never_proposes_a_successor_that_it_culls(tmp_path, chainrun, monkeypatch):
    """Twins that nobody uses: the one that replaces the other is not also retired for lack of use."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / ".chainrun-root").touch()
    gain = {"do": "gain", "gain_db": 2.0}
    for name, value in (("one", 2.0), ("two", 2.01), ("three", 2.02)):
        preset(tmp_path / "library", name, [{**gain, "gain_db": value}], since=2015)
    preset(tmp_path / "library", "holder", [{"preset": "one"}, {"do": "gain", "gain_db": 0.0}], since=2016)
    soundfile.write("a.wav", noise(4800, 0.1), RATE)
    (tmp_path / "a.recipe.toml").write_text('grammar = 1\npresets_dirs = ["library"]\n[stems.a]\nfile = "a.wav"\n')
    ran = chainrun(
        "cull",
        "plan",
        "--recipes",
        "a.recipe.toml",
        "--presets",
        "library",
        "--write",
        "2026.cull.toml",
        "--year",
        2026,
    )
    assert ran.code == 0, ran.err
    decisions = {one["name"]: one for one in tomllib.loads((tmp_path / "2026.cull.toml").read_text())["preset"]}
    for one in decisions.values():
        if one["decision"] == "replace":
            assert decisions[one["by"]]["decision"] == "keep"
    assert chainrun("cull", "try", "2026.cull.toml").code == 0  # the plan is one that try and apply accept


@pytest.fixture
def two_of_one_name(band):
    """Two sessions whose recipes have one name."""
    for folder in ("march", "may"):
        (band / "songs" / folder).mkdir()
        text = (band / "songs" / "jig.recipe.toml").read_text().replace("../library", "../../library")
        (band / "songs" / folder / "jig.recipe.toml").write_text(
            text.replace('"kick.wav"', '"../kick.wav"').replace('"snare.wav"', '"../snare.wav"')
        )
    (band / "songs" / "jig.recipe.toml").unlink()
    return band


def test_recipes_of_one_name_are_counted_and_shown_by_path_and_batch_takes_the_jobs(two_of_one_name, chainrun):
    band = two_of_one_name
    ran, text = plan_of(chainrun, band, "songs/**/*.recipe.toml")
    assert ran.code == 0, ran.err
    assert "songs/march/jig.recipe.toml" in text
    assert "songs/may/jig.recipe.toml" in text
    old = next(one for one in text.split("[[preset]]") if 'name = "kick/old"' in one)
    assert "in 4 recipes: reel, songs/march/jig.recipe.toml, songs/may/jig.recipe.toml, wa" in old
    assert chainrun("cull", "apply", "2026.cull.toml").code == 0
    ran = chainrun("batch", "2026.jobs.toml", "--json")
    assert ran.code == 0, ran.err
    names = [one["job"] for one in ran.json["jobs"]]
    assert "songs-march-jig" in names
    assert "songs-may-jig" in names
    assert len(names) == len(set(names)) == 5
