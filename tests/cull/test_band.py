"""A band's three years: list, plan, try, apply, undo, and a kill at every step.

The generated catalogue and its truth are ours (tests/bench/catalogue.py): twins are the same sound with other numbers.
"""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile

from chainrun.cull.apply import apply, operations, recover, undo
from chainrun.cull.plan import read_plan
from chainrun.library.shelf import Shelf
from chainrun.library.usage import usage
from tests.cull.shelves import KilledError, plan_file, preset, snapshot


def hashes(chainrun, *more):
    found = {}
    for path in sorted(Path("songs").glob("*.recipe.toml")):
        ran = chainrun("render", path, "-o", f"out/{path.stem}", "--json", *more)
        assert ran.code == 0, ran.err
        found[path.stem] = ran.json["deliveries"][0]["pcm_sha256"]
    return found


def test_list_show_where_alike(band, chainrun):
    told = chainrun("presets", "list", "--presets", "library", "--json").json["presets"]
    assert [one["name"] for one in told] == [
        "both/in-one",
        "kick/gone",
        "kick/new",
        "kick/old",
        "nobody/uses-it",
        "snare/box",
        "snare/plain",
    ]
    ran = chainrun("presets", "show", "kick/new", "--presets", "library")
    assert ran.code == 0 and "output, dBFS" in ran.out and max(map(len, ran.out.splitlines())) <= 80
    uses = chainrun(
        "presets", "where", "kick/old", "--presets", "library", "--recipes", "songs/*.recipe.toml", "--json"
    ).json
    assert {Path(one["recipe"]).name: one["set"] for one in uses["uses"]} == {
        "jig.recipe.toml": {}, "reel.recipe.toml": {"eq.bands.0.gain_db": 4.0}, "waltz.recipe.toml": {}
    }  # fmt: skip
    assert uses["inside"] == ["both/in-one"]
    assert [one["last_rendered"] for one in uses["uses"]] == [None] * 3
    chainrun("render", "songs/jig.recipe.toml", "-o", "out", "--quiet")
    uses = chainrun(
        "presets", "where", "kick/old", "--presets", "library", "--recipes", "songs/*.recipe.toml", "--shares", "--json"
    ).json["uses"]
    assert [one["last_rendered"] is not None for one in uses if "jig" in one["recipe"]] == [True]
    shares = {Path(one["recipe"]).name: one["bypassed"] for one in uses}
    assert -40 < shares["jig.recipe.toml"]["residual_lu"] < 10
    assert 0 < shares["jig.recipe.toml"]["loudness_change_lu"] < 12  # without its compressor the kick is louder
    alike = chainrun("presets", "alike", "--presets", "library", "--recipes", "songs/*.recipe.toml", "--json").json
    assert ["kick/new", "kick/old"] in [group["presets"][-2:] for group in alike["groups"]]
    pair = next(one for one in alike["pairs"] if {one["one"], one["other"]} == {"kick/new", "kick/old"})
    assert -120 < pair["stem_residual_lu"] < -30  # compared on the songs' kick, too
    assert chainrun("presets", "show", "kick/nwe", "--presets", "library").code == 2
    assert chainrun("presets", "list", "--presets", "nowhere").code == 2
    assert chainrun("presets", "list").code == 2


def test_the_plan_proposes_and_is_not_overwritten(band, chainrun):
    ran = chainrun(
        "cull",
        "plan",
        "--presets",
        "library",
        "--recipes",
        "songs/*.recipe.toml",
        "--year",
        2026,
        "--write",
        "2026.cull.toml",
    )
    assert ran.code == 0, ran.err
    text = Path("2026.cull.toml").read_text()
    plan = read_plan(Path("2026.cull.toml"))
    decided = {one.name: (one.decision, one.by) for one in plan.file.preset}
    assert decided["nobody/uses-it"] == ("retire", None)
    assert ("replace", "kick/old") in decided.values() or ("replace", "kick/new") in decided.values()
    assert decided["snare/box"][0] == "keep"
    assert "# since 2019 (7 years); used nowhere" in text and "# why:" in text
    again = chainrun("cull", "plan", "--presets", "library", "--write", "2026.cull.toml")
    assert (again.code, Path("2026.cull.toml").read_text()) == (2, text)


def test_try_touches_nothing_and_apply_does_as_it_said(band, chainrun):
    plan = plan_file(band)
    before, was = snapshot(band), hashes(chainrun)
    tried = chainrun("cull", "try", plan, "-o", "heard", "--json").json
    assert snapshot(band) == before
    told = {Path(one["recipe"]).name: one for one in tried["recipes"]}
    assert set(told) == {"jig.recipe.toml", "reel.recipe.toml", "waltz.recipe.toml"}
    assert all(not one["crosses_limit"] and one["nodes"] == ["stems.kick"] for one in told.values())
    ran = chainrun("cull", "apply", plan)
    assert ran.code == 0, ran.err
    retired = (band / "library/retired/kick/old.preset.toml").read_text()
    assert 'status = "retired"\nretired_in = 2026\nreplaced_by = "kick/new"\n# somebody\'s comment' in retired
    assert hashes(chainrun) == was  # every recipe without the overlay: the same bits, the response's relative path too
    now = hashes(chainrun, "--overlay", "2026.overlay.toml")
    assert {name for name in was if now[name] != was[name]} == {"jig.recipe", "reel.recipe", "waltz.recipe"}
    for one in told.values():
        kept = soundfile.read(one["files"][1])[0]
        name = Path(one["recipe"]).stem
        (file,) = Path(f"out/{name}").glob("*.2026/mix.wav")
        assert np.array_equal(kept, soundfile.read(file)[0])
    ran = chainrun("check", "songs/jig.recipe.toml")
    assert (ran.code, "retired in 2026; its successor is kick/new" in ran.err) == (0, True)
    for command in (("check",), ("render", "-o", "out")):
        assert chainrun(command[0], "songs/jig.recipe.toml", *command[1:], "--strict").code == 3
    jobs = tomllib.loads(Path("2026.jobs.toml").read_text())
    assert jobs["defaults"]["overlays"] == ["2026.overlay.toml"]
    assert chainrun("batch", "2026.jobs.toml", "--quiet").code == 0
    assert (band / "out-2026").is_dir()
    resolved = chainrun("resolve", "songs/jig.recipe.toml", "--write", "songs/flat.recipe.toml")
    assert resolved.code == 0
    assert (
        chainrun("render", "songs/flat.recipe.toml", "-o", "flat", "--json").json["deliveries"][0]["pcm_sha256"]
        == was["jig.recipe"]
    )


def test_undo_restores_everything(band, chainrun):
    plan = plan_file(band)
    before = snapshot(band)
    chainrun("cull", "apply", plan)
    assert str(band) not in (band / "2026.cull.undo.json").read_text()
    assert chainrun("cull", "undo", plan).code == 0
    assert snapshot(band) == before
    assert chainrun("cull", "undo", plan).code == 5
    chainrun("cull", "apply", plan)
    file = band / "library/retired/kick/old.preset.toml"
    file.write_text(file.read_text() + "# edited since\n")
    ran = chainrun("cull", "undo", plan)
    assert (ran.code, "was changed since the cull" in ran.err) == (5, True)


ODD = {
    "crlf": 'grammar = 1\r\n# mine\r\nsince = 2021\r\nchain = [ { do = "gain", gain_db = -2 } ]\r\n',
    "told": 'grammar = 1 # version\nstatus = "current"\nreplaced_by = "x/y"\nchain = [ { do = "gain", gain_db = -2 } ]\n',
    "prose": 'about = """\nold words:\nstatus = "fine"\npreset = 1\n"""\npreset = 1\nchain = [ { do = "gain", gain_db = -2 } ]\n',
    "tables": 'grammar = 1\n[[chain]]\ndo = "gain"\ngain_db = -2\nnote = "status = none"\n',
    "bom": '\ufeffpreset = 1\nchain = [ { do = "gain", gain_db = -2 } ]\n',
    "no end": 'chain = [ { do = "gain", gain_db = -2 } ]\npreset = 1',
}


@pytest.mark.parametrize("how", ODD)
def test_presets_as_people_write_them(band, chainrun, how):
    """Line ends, prose that looks like keys, tables: nothing but the status changes, and undo brings back every byte."""
    file = band / "library" / "kick" / "old.preset.toml"
    file.write_bytes(ODD[how].encode())
    Path("songs/reel.recipe.toml").unlink()  # its `set` is for the other chain
    was = hashes(chainrun)
    plan = plan_file(band)
    assert chainrun("cull", "apply", plan).code == 0
    text = (band / "library/retired/kick/old.preset.toml").read_bytes().decode()
    now, then = tomllib.loads(text.lstrip("\ufeff")), tomllib.loads(ODD[how].lstrip("\ufeff"))
    assert (now.pop("status"), now.pop("retired_in"), now.pop("replaced_by")) == ("retired", 2026, "kick/new")
    assert now == {key: value for key, value in then.items() if key not in ("status", "replaced_by")}
    assert text.count("\r\n") in (0, text.count("\n"))
    assert hashes(chainrun) == was
    assert chainrun("cull", "undo", plan).code == 0
    assert file.read_bytes() == ODD[how].encode()


def test_two_culls_at_once(band, chainrun):
    import fcntl

    plan = plan_file(band)
    with plan.open("rb") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        for word in ("apply", "undo", "try"):
            ran = chainrun("cull", word, plan)
            assert (ran.code, "another cull of this plan is running" in ran.err) == (5, True)


def test_apply_and_undo_survive_a_kill_at_every_step(band, chainrun):
    """At every step the library is whole, and every song renders to the same bits; the next command finishes."""
    path = plan_file(band)
    plan, before = read_plan(path), snapshot(band)
    was = hashes(chainrun)
    names = []
    apply(plan, names.append)
    after = snapshot(band)
    undo(path)
    assert snapshot(band) == before and len(names) >= 8
    for act, start, end in (
        (lambda step: apply(plan, step), before, after),
        (lambda step: undo(path, step), after, before),
    ):
        for stop in range(1, 40):
            count = 0

            def step(_, stop=stop):
                nonlocal count
                count += 1
                if count == stop:
                    raise KilledError

            try:
                act(step)
            except KilledError:
                shelf = Shelf([band / "library"])
                assert {"kick/old", "snare/box", "kick/new"} <= set(shelf.presets)
                if stop % 3 == 1:
                    assert hashes(chainrun) == was
                recover(path)
                assert snapshot(band) == end, stop
            else:
                break
            (undo if end is after else lambda p: apply(read_plan(p)))(path)
            assert snapshot(band) == start
        if end is after:
            assert snapshot(band) == after
    assert count >= 5


BAD_PLANS = {
    "nobody": ('[[preset]]\nname = "kick/odl"\ndecision = "retire"\n', "did you mean 'kick/old'"),
    "no successor": ('[[preset]]\nname = "kick/old"\ndecision = "replace"\n', "replace needs `by`"),
    "missing successor": (
        '[[preset]]\nname = "kick/old"\ndecision = "replace"\nby = "kick/nwe"\n',
        "did you mean 'kick/new'",
    ),
    "circle": (
        '[[preset]]\nname = "kick/old"\ndecision = "replace"\nby = "kick/new"\n[[preset]]\nname = "kick/new"\ndecision = "replace"\nby = "kick/old"\n',
        "kick/old -> kick/new -> kick/old",
    ),
    "twice": (
        '[[preset]]\nname = "kick/old"\ndecision = "keep"\n[[preset]]\nname = "kick/old"\ndecision = "retire"\n',
        "decided twice",
    ),
    "successor retired": (
        '[[preset]]\nname = "kick/old"\ndecision = "replace"\nby = "kick/gone"\n',
        "kick/gone is retired itself",
    ),
    "word": ('[[preset]]\nname = "kick/old"\ndecision = "burn"\n', "2026.cull.toml"),
    "toml": ("[[preset\n", "not TOML"),
}


@pytest.mark.parametrize("name", BAD_PLANS)
def test_bad_plans(band, chainrun, name):
    text, told = BAD_PLANS[name]
    plan = plan_file(band, text)
    before = snapshot(band)
    for word in ("try", "apply"):
        ran = chainrun("cull", word, plan)
        assert (ran.code, told in ran.err) == (3, True), ran.err
    assert snapshot(band) == before


def test_a_set_path_that_the_successor_lacks_is_reported_beforehand(band, chainrun):
    plan = plan_file(band, '[[preset]]\nname = "kick/old"\ndecision = "replace"\nby = "snare/plain"\n')
    ran = chainrun("cull", "try", plan, "--json")
    assert ran.code == 1
    worst = ran.json["recipes"][0]
    assert "reel" in worst["recipe"] and "the path matches nothing in the preset" in worst["error"]
    assert worst["crosses_limit"]


def test_files_in_the_way_are_not_overwritten(band, chainrun):
    plan = plan_file(band)
    Path("2026.overlay.toml").write_text("# mine\n")
    before = snapshot(band)
    ran = chainrun("cull", "apply", plan)
    assert (ran.code, snapshot(band)) == (5, before)
    Path("2026.overlay.toml").unlink()
    preset(band / "library" / "retired", "kick/old", [{"do": "gain"}])
    assert chainrun("cull", "apply", plan).code in (3, 5)


def test_two_libraries(band, chainrun):
    """A name with two chains is an error; with one chain it is harmless, but culled only under different names."""
    copy = band / "mine" / "kick" / "old.preset.toml"
    copy.parent.mkdir(parents=True)
    shutil.copy(band / "library" / "kick" / "old.preset.toml", copy)
    shelf = Shelf([band / "mine", band / "library"])
    assert "kick/new" in shelf.presets and list(shelf.hidden) == ["kick/old"]
    path = plan_file(band)
    path.write_text(path.read_text().replace('["library"]', '["mine", "library"]'))
    ran = chainrun("cull", "apply", path)
    assert (ran.code, "is in two libraries" in ran.err, "rename one" in ran.err) == (3, True, True)
    song = Path("songs/jig.recipe.toml")
    song.write_text(song.read_text().replace('["../library"]', '["../mine", "../library"]'))
    assert chainrun("check", song).code == 0
    preset(band / "mine", "kick/old", [{"do": "gain", "gain_db": 2}], since=2025)
    for command in (("check", song), ("presets", "list", "--presets", "mine", "--presets", "library")):
        ran = chainrun(*command)
        assert (
            ran.code,
            "several libraries have different presets 'kick/old'" in ran.err,
            "hint: rename one" in ran.err,
        ) == (
            3,
            True,
            True,
        )
    with pytest.raises(Exception, match="no such preset library"):
        Shelf([band / "nowhere"])


def test_former_names_and_uses_inside_presets(band):
    found = usage([Path("songs/waltz.recipe.toml")])
    assert [one.preset for one in found.uses] == ["both/in-one", "kick/old", "snare/box"]
    assert [one.path for one in found.uses] == ["stems.kick.chain.0", "", "stems.snare.chain.0"]
    song = Path("songs/waltz.recipe.toml")
    song.write_text(
        song.read_text().replace(
            '"both/in-one" }', '"both/in-one" }, { preset = "snare/flat", name = "end", set = { "gain.gain_db" = -2 } }'
        )
    )
    file = band / "library" / "snare" / "plain.preset.toml"
    file.write_text(file.read_text().replace("grammar = 1", 'grammar = 1\nwas = ["snare/flat"]'))
    found = usage([song])
    assert [(one.preset, one.path) for one in found.uses][:3] == [
        ("both/in-one", "stems.kick.chain.0"),
        ("kick/old", ""),
        ("snare/plain", "stems.kick.chain.end"),
    ]
    assert found.uses[2].changes == {"gain.gain_db": -2}
    assert operations(read_plan(plan_file(band, '[[preset]]\nname = "kick/old"\ndecision = "keep"\n'))) == []


def test_the_demos_history(demo, chainrun, monkeypatch, tmp_path):
    """The first kick of 2023 was culled in 2025: the old session opens, says so, and the overlay replaces it."""
    monkeypatch.chdir(tmp_path)
    old = Path("recipes/barn-2024.recipe.toml")
    ran = chainrun("check", old)
    assert (ran.code, "kick/first, retired in 2025; its successor is kick/close" in ran.err) == (0, True)
    ran = chainrun("compare", old, old, "--json")
    assert ran.code == 0
    assert chainrun("check", old, "--overlay", "recipes/2025.overlay.toml", "--strict").code == 0
    assert chainrun("cull", "undo", "recipes/2025.cull.toml").code == 0
    assert Path("recipes/presets/kick/first.preset.toml").exists()
    assert chainrun("check", old, "--strict").code == 0
    shutil.rmtree("out", ignore_errors=True)
