"""Uses by former names, in variants, bases and inner chains, are found and replaced.

The generated catalogue and its truth are ours (tests/bench/catalogue.py): twins are the same sound with other numbers.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import soundfile

from chainrun.library.usage import usage
from chainrun.recipe import Overrides, open_recipe
from tests.cull.shelves import RATE, plan_file, preset
from tests.signals import noise

# -- names, variants, places -----------------------------------------------------------------------------------------


def test_a_use_by_a_former_name_is_replaced(band, chainrun):
    old = band / "library" / "kick" / "old.preset.toml"
    old.write_text(old.read_text().replace("grammar = 1", 'grammar = 1\nwas = ["kick/first"]'))
    song = Path("songs/jig.recipe.toml")
    song.write_text(song.read_text().replace("kick/old", "kick/first"))
    ran = chainrun("presets", "where", "kick/first", "--presets", "library", "--recipes", "songs/*.toml", "--json")
    assert ran.json["preset"] == "kick/old" and "songs/jig.recipe.toml" in [one["recipe"] for one in ran.json["uses"]]
    plan = plan_file(band)
    tried = chainrun("cull", "try", plan, "--json").json["recipes"]
    jig = next(one for one in tried if "jig" in one["recipe"])
    assert not jig["comparison"]["identical"]
    assert chainrun("cull", "apply", plan).code == 0
    assert chainrun("check", song, "--overlay", "2026.overlay.toml", "--strict").code == 3  # snare/box was retired
    assert "kick/old" not in chainrun("check", song, "--overlay", "2026.overlay.toml", "--strict").err
    mixed = band / "mixed.overlay.toml"
    mixed.write_text('[replace_presets]\n"kick/first" = "snare/plain"\n')
    assert "snare/plain" in json.dumps([use.name for use in open_recipe(song, Overrides(overlays=(mixed,))).uses])


@pytest.mark.parametrize(
    ("new", "old"),
    [(["kick/old"], []), (["kick/old"], ["kick/new"]), (["kick/new"], [])],
    ids=["clash", "loop", "self"],
)
def test_clashes_and_loops_of_former_names_are_errors(band, chainrun, new, old):
    for name, was in (("new", new), ("old", old)):
        file = band / "library" / "kick" / f"{name}.preset.toml"
        file.write_text(file.read_text().replace("grammar = 1", f"grammar = 1\nwas = {json.dumps(was)}"))
    claimed = new[0]
    song = "songs/jig.recipe.toml" if claimed == "kick/old" else "songs/polka.recipe.toml"
    ran = chainrun("check", song)
    assert (ran.code, "a former name (`was`) of kick/new" in ran.err, "hint:" in ran.err) == (3, True, True)
    ran = chainrun("presets", "list", "--presets", "library")
    assert (ran.code, "new.preset.toml:2:1" in ran.err) == (3, True)


def test_uses_of_variants_and_bases(band, chainrun):
    song = Path("songs/polka.recipe.toml")
    song.write_text(
        song.read_text()
        + '[variants.other]\n"stems.kick.chain" = [ { preset = "kick/old", name = "k", set = { "eq.bands.0.gain_db" = 1.0 } } ]\n'
    )
    Path("songs/air.recipe.toml").write_text('grammar = 1\nbase = "reel.recipe.toml"\n')
    found = usage([song, Path("songs/air.recipe.toml")])
    told = [(one.recipe.name, one.variant, one.path, one.changes) for one in found.of("kick/old")]
    assert told == [
        ("polka.recipe.toml", "other", "stems.kick.chain.k", {"eq.bands.0.gain_db": 1.0}),
        ("air.recipe.toml", None, "stems.kick.chain.sound", {"eq.bands.0.gain_db": 4.0}),
    ]
    assert [(one.variant, one.inherited) for one in found.uses if one.preset == "snare/box"][:2] == [
        (None, False),
        ("other", True),
    ]
    args = ("--presets", "library", "--recipes", "songs/*.recipe.toml", "--json")
    uses = chainrun("presets", "where", "kick/old", "--shares", *args).json["uses"]
    shares = {(Path(one["recipe"]).name, one["variant"]): one["bypassed"] for one in uses if one["path"]}
    assert shares["polka.recipe.toml", "other"] is not None and shares["air.recipe.toml", None] is not None
    plan = plan_file(band)
    tried = chainrun("cull", "try", plan, "--json").json["recipes"]
    assert {(Path(one["recipe"]).stem, one["variant"]) for one in tried} >= {
        ("polka.recipe", "other"),
        ("air.recipe", None),
    }
    assert ("polka.recipe", None) not in {(Path(one["recipe"]).stem, one["variant"]) for one in tried}


def test_uses_in_inner_chains_have_their_path(band):
    song = Path("songs/polka.recipe.toml")
    song.write_text(
        song.read_text().replace(
            '{ preset = "kick/new" }',
            '{ do = "branches", branches = [ { chain = [ { preset = "kick/new", set = { "eq.bypass" = true } } ] }, { chain = [] } ] }',
        )
    )
    (use,) = usage([song]).of("kick/new")
    assert (use.path, use.changes) == ("stems.kick.chain.0.branches.0.chain.0", {"eq.bypass": True})
    opened = open_recipe(song, Overrides(sets=(f"{use.path}.bypass=true",)))
    assert opened.uses[0].name == "kick/new"


def test_try_compares_every_delivery_and_keeps_recipes_of_one_name_apart(band, chainrun):
    song = Path("songs/jig.recipe.toml")
    text = song.read_text()
    song.write_text(
        text.replace('file = "mix.wav"', 'file = "snare.wav"\nwhat = "stems.snare"') + '[[deliver]]\nfile = "mix.wav"\n'
    )
    other = Path("songs/more")
    other.mkdir()
    (other / "jig.recipe.toml").write_text(
        text.replace('"../library"', '"../../library"')
        .replace('file = "kick', 'file = "../kick')
        .replace('file = "snare', 'file = "../snare')
    )
    Path("songs/broken.recipe.toml").write_text("grammar = 1\n")
    plan = plan_file(band)
    plan.write_text(plan.read_text().replace("songs/*", "songs/**/*"))
    ran = chainrun("cull", "try", plan, "-o", "heard", "--json")
    told = {one["recipe"]: one for one in ran.json["recipes"]}
    jigs = [one for name, one in told.items() if "jig" in name]
    assert len({one["files"][0] for one in jigs}) == 2
    assert all(Path(file).is_file() for one in jigs for file in one["files"])
    assert next(one for name, one in told.items() if name.endswith("songs/jig.recipe.toml"))["delivery"] == "mix.wav"
    assert (ran.code, "broken.recipe.toml" in ran.err) == (0, True)


def test_a_folder_called_retired_above_the_library(tmp_path, chainrun, monkeypatch):
    library = tmp_path / "retired" / "work" / "library"
    preset(library, "snare/box", [{"do": "convolve", "file": "../box.wav"}])
    preset(library / "retired", "snare/old", [{"do": "convolve", "file": "../box.wav"}])
    soundfile.write(library / "box.wav", noise(2400, 0.2), RATE)
    soundfile.write(tmp_path / "x.wav", noise(RATE, 0.2), RATE)
    (tmp_path / ".chainrun-root").touch()
    monkeypatch.chdir(tmp_path)
    for name in ("box", "old"):
        Path("x.recipe.toml").write_text(
            f'grammar = 1\npresets_dirs = ["retired/work/library"]\n[stems.x]\nfile = "x.wav"\nchain = [ {{ preset = "snare/{name}" }} ]\n'
        )
        assert chainrun("render", "x.recipe.toml", "-o", "out").code == 0


def test_apply_reports_set_paths_that_the_successor_lacks(band, chainrun):
    plan = plan_file(band, '[[preset]]\nname = "kick/old"\ndecision = "replace"\nby = "snare/plain"\n')
    ran = chainrun("cull", "apply", plan)
    assert (ran.code, "warning: reel, under the overlay" in ran.err, "matches nothing in the preset" in ran.err) == (
        0,
        True,
        True,
    )
