"""The preset library over years: what is alike, what is used, and a cull that can be killed, taken back and repeated.

The generated catalogue and its truth are ours (tests/bench/catalogue.py): twins are the same sound by other numbers.
"""

from __future__ import annotations

import json
import shutil
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile
import tomli_w

from chainrun.cull.alike import apart, pairs
from chainrun.cull.apply import apply, operations, recover, undo
from chainrun.cull.face import HIT_DBFS, LEVELS_DBFS, POINTS_HZ, measure_face
from chainrun.cull.library import Shelf
from chainrun.cull.plan import read_plan
from chainrun.cull.usage import usage
from chainrun.errors import Problem, ResourceError
from chainrun.recipe import Overrides, open_recipe
from tests.bench import catalogue
from tests.signals import drums, noise

ROOT = Path(__file__).parent.parent
RATE = 48000


def preset(folder, name, chain, **more):
    path = folder / f"{name}.preset.toml"
    path.parent.mkdir(parents=True, exist_ok=True)
    text = "".join(f"{key} = {json.dumps(value)}\n" for key, value in more.items())
    path.write_text(f"preset = 1\n# somebody's comment\n{text}{tomli_w.dumps({'chain': chain})}")
    return path


def steps(tmp_path, *chain):
    preset(tmp_path, "x", list(chain), since=2020)
    return Shelf([tmp_path]).steps("x")


# -- faces -----------------------------------------------------------------------------------------------------------


def test_a_face_tells_what_the_numbers_say(tmp_path):
    """Compressor -24 dBFS, 3:1, hard knee: 6 dB more in are 2 dB more out. Bell +6 dB at 1 kHz."""
    face = measure_face(
        steps(
            tmp_path,
            {"do": "compressor", "threshold_db": -24, "ratio": 3, "knee_db": 0, "attack_ms": 20, "release_ms": 200},
        )
    )
    static = dict(zip(LEVELS_DBFS, face.static_db, strict=True))
    assert static[-36.0] == pytest.approx(-36, abs=0.1)
    assert static[-6.0] - static[-12.0] == pytest.approx(2, abs=0.2)
    assert -19 < static[-6.0] < -15  # a peak or an RMS detector: 3 dB apart
    # Two thirds of the way in dB, of a smoother whose time is that of its own scale: near, not equal.
    assert face.attack_ms == pytest.approx(20, rel=1.0)
    assert face.release_ms == pytest.approx(200, rel=0.5)
    bell = measure_face(steps(tmp_path, {"do": "eq", "bands": [{"kind": "bell", "freq_hz": 1000, "gain_db": 6}]}))
    response = dict(zip(POINTS_HZ, bell.response_db, strict=True))
    assert response[1000] == pytest.approx(6, abs=0.4)
    assert response[31.5] == pytest.approx(0, abs=0.2)
    assert (bell.attack_ms, bell.release_ms, bell.harmonics_pct < 0.01) == (None, None, True)


def test_harmonics_of_a_hard_clip(tmp_path):
    """A sine clipped at a quarter of its peak: THD from its Fourier series, computed here."""
    face = measure_face(steps(tmp_path, {"do": "saturate", "curve": "hard_clip", "drive_db": 30}))
    x = np.clip(10 ** ((30 - 18) / 20) * np.sin(2 * np.pi * (np.arange(4800) + 0.5) / 4800), -1, 1)
    lines = np.abs(np.fft.rfft(x))[1:20]
    assert face.harmonics_pct == pytest.approx(100 * np.sqrt(np.sum(lines[1:] ** 2)) / lines[0], rel=0.02)


def test_faces_of_presets_with_keys_rooms_and_stereo(tmp_path):
    for chain in (
        [{"do": "gate", "threshold_db": -30, "key": {"from": ["kick"]}}],
        [{"do": "compressor", "threshold_below_hits_db": 10, "ratio": 3}],
        [{"do": "room", "decay_s": 0.3, "mix_pct": 30}, {"do": "width", "width_pct": 140}],
        [{"do": "width", "width_pct": 140}],
        [{"do": "echo", "time_beats": 0.5, "mix_pct": 30}],
        [{"do": "gain", "gain_db": -3, "bypass": True}],
    ):
        face = measure_face(steps(tmp_path, *chain))
        assert all(np.isfinite(face.response_db)) and all(np.isfinite(face.static_db))
    assert HIT_DBFS == -12


def test_twins_of_the_catalogue_are_found(tmp_path, monkeypatch):
    """Eight of the twelve twins and eight of the forty others; `python -m tests.bench.catalogue` takes all."""
    chosen = dict(list(catalogue.distinct().items())[:8])
    monkeypatch.setattr(catalogue, "distinct", lambda: chosen)
    monkeypatch.setattr(catalogue, "TWINS", dict(list(catalogue.TWINS.items())[:8]))
    told = dict(catalogue.found(tmp_path / "library"))
    assert told["twins found"] == "8 of 8"
    assert told["false pairs"] == "0 of 8"


def test_level_is_no_difference_and_numbers_are_no_likeness(tmp_path):
    a = measure_face(steps(tmp_path, {"do": "eq", "bands": [{"kind": "bell", "freq_hz": 80, "gain_db": 6}]}))
    b = measure_face(steps(tmp_path, {"do": "eq", "bands": [{"kind": "bell", "freq_hz": 160, "gain_db": 6}]}))
    c = measure_face(
        steps(
            tmp_path,
            {"do": "eq", "bands": [{"kind": "bell", "freq_hz": 80, "gain_db": 6}]},
            {"do": "gain", "gain_db": -7},
        )
    )
    assert not apart("a", a, "b", b).alike
    near = apart("a", a, "c", c)
    assert near.alike and near.gain_db == pytest.approx(7, abs=0.05) and near.residual_lu < -100
    assert [pair.other for pair in pairs({"a": a, "b": b, "c": c}, "a")] == ["c", "b"]


# -- a band's three years ----------------------------------------------------------------------------------------------

BELL = {"do": "eq", "name": "eq", "bands": [{"kind": "bell", "freq_hz": 200, "gain_db": 3}]}


@pytest.fixture
def band(tmp_path, monkeypatch):
    """A library of five presets, and three songs that use them."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / ".chainrun-root").touch()
    library = tmp_path / "library"
    squash = {"do": "compressor", "threshold_db": -24, "ratio": 3}
    preset(library, "kick/new", [BELL, squash], since=2023, suits=["kick"])
    preset(
        library,
        "kick/old",
        [{"do": "eq", "name": "eq", "bands": [{"kind": "bell", "freq_hz": 201, "gain_db": 2.95}]}, squash],
        since=2021,
    )
    preset(library, "snare/box", [{"do": "convolve", "file": "../ir/box.wav", "mix_pct": 40}], since=2021)
    preset(library, "snare/plain", [{"do": "gain", "gain_db": -1}], since=2022)
    preset(library, "nobody/uses-it", [{"do": "delay", "time_ms": 30}], since=2019)
    preset(library / "retired", "kick/gone", [{"do": "gain"}], since=2018, status="retired", retired_in=2024)
    preset(library, "both/in-one", [{"preset": "kick/old"}, {"do": "gain", "gain_db": 1}], since=2022)
    (library / "ir").mkdir()
    soundfile.write(library / "ir" / "box.wav", np.exp(-np.arange(2400) / 300) * noise(2400, 0.5), RATE)
    songs = tmp_path / "songs"
    songs.mkdir()
    soundfile.write(songs / "kick.wav", drums(RATE, seed=1) * 0.5, RATE, subtype="FLOAT")
    soundfile.write(songs / "snare.wav", drums(RATE, seed=2) * 0.5, RATE, subtype="FLOAT")
    for name, kick, more in (
        ("reel", "kick/old", ', name = "sound", set = { "eq.bands.0.gain_db" = 4.0 }'),
        ("jig", "kick/old", ""),
        ("polka", "kick/new", ""),
        ("waltz", "both/in-one", ""),
    ):
        (songs / f"{name}.recipe.toml").write_text(
            f'recipe = 1\npresets_dirs = ["../library"]\n[stems.kick]\nfile = "kick.wav"\nchain = [ {{ preset = "{kick}"{more} }} ]\n'
            '[stems.snare]\nfile = "snare.wav"\nchain = [ { preset = "snare/box" } ]\n[[deliver]]\nfile = "mix.wav"\nbits = 32\n'
        )
    return tmp_path


def plan_file(band, text=""):
    path = band / "2026.cull.toml"
    path.write_text(
        'cull = 1\nyear = 2026\npresets_dirs = ["library"]\nrecipes = ["songs/*.recipe.toml"]\n'
        + (
            text
            or '[[preset]]\nname = "kick/old"\ndecision = "replace"\nby = "kick/new"\n[[preset]]\nname = "snare/box"\ndecision = "retire"\n'
        )
    )
    return path


def hashes(chainrun, *more):
    found = {}
    for path in sorted(Path("songs").glob("*.recipe.toml")):
        ran = chainrun("render", path, "-o", f"out/{path.stem}", "--json", *more)
        assert ran.code == 0, ran.err
        found[path.stem] = ran.json["deliveries"][0]["pcm_sha256"]
    return found


def snapshot(folder):
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*.toml"))}


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
    assert ran.code == 0 and "dBFS out" in ran.out and max(map(len, ran.out.splitlines())) <= 80
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
    assert 0 < shares["jig.recipe.toml"]["loudness_lu"] < 12  # without its compressor the kick is louder
    alike = chainrun("presets", "alike", "--presets", "library", "--recipes", "songs/*.recipe.toml", "--json").json
    assert ["kick/new", "kick/old"] in [group["presets"][-2:] for group in alike["groups"]]
    pair = next(one for one in alike["pairs"] if {one["one"], one["other"]} == {"kick/new", "kick/old"})
    assert -120 < pair["stem_lu"] < -30  # heard on the songs' kick, too
    assert chainrun("presets", "show", "kick/nwe", "--presets", "library").code == 2
    assert chainrun("presets", "list", "--presets", "nowhere").code == 2
    assert chainrun("presets", "list").code == 2


def test_the_plan_proposes_and_is_not_written_over(band, chainrun):
    ran = chainrun(
        "cull",
        "plan",
        "--presets",
        "library",
        "--recipes",
        "songs/*.recipe.toml",
        "--year",
        2026,
        "-o",
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
    again = chainrun("cull", "plan", "--presets", "library", "-o", "2026.cull.toml")
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
        assert np.array_equal(kept, soundfile.read(f"out/{name}/mix.wav")[0])
    ran = chainrun("check", "songs/jig.recipe.toml")
    assert (ran.code, "retired in 2026; advised in its place: kick/new" in ran.err) == (0, True)
    for command in (("check",), ("render", "-o", "out")):
        assert chainrun(command[0], "songs/jig.recipe.toml", *command[1:], "--strict").code == 3
    jobs = tomllib.loads(Path("2026.jobs.toml").read_text())
    assert jobs["defaults"]["overlays"] == ["2026.overlay.toml"]
    assert chainrun("batch", "2026.jobs.toml", "--quiet").code == 0
    assert (band / "out-2026").is_dir()
    resolved = chainrun("resolve", "songs/jig.recipe.toml", "-o", "songs/flat.recipe.toml")
    assert resolved.code == 0
    assert (
        chainrun("render", "songs/flat.recipe.toml", "-o", "flat", "--json").json["deliveries"][0]["pcm_sha256"]
        == was["jig.recipe"]
    )


def test_undo_takes_all_of_it_back(band, chainrun):
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
    "crlf": 'preset = 1\r\n# mine\r\nsince = 2021\r\nchain = [ { do = "gain", gain_db = -2 } ]\r\n',
    "told": 'preset = 1 # version\nstatus = "current"\nreplaced_by = "x/y"\nchain = [ { do = "gain", gain_db = -2 } ]\n',
    "prose": 'about = """\nold words:\nstatus = "fine"\npreset = 1\n"""\npreset = 1\nchain = [ { do = "gain", gain_db = -2 } ]\n',
    "tables": 'preset = 1\n[[chain]]\ndo = "gain"\ngain_db = -2\nnote = "status = none"\n',
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
            assert (ran.code, "another cull of this plan is at work" in ran.err) == (5, True)


class KilledError(Exception):
    pass


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


def test_a_set_path_that_the_successor_lacks_is_told_beforehand(band, chainrun):
    plan = plan_file(band, '[[preset]]\nname = "kick/old"\ndecision = "replace"\nby = "snare/plain"\n')
    ran = chainrun("cull", "try", plan, "--json")
    assert ran.code == 1
    worst = ran.json["recipes"][0]
    assert "reel" in worst["recipe"] and "the path matches nothing in the preset" in worst["error"]
    assert worst["crosses_limit"]


def test_what_stands_in_the_way_is_not_written_over(band, chainrun):
    plan = plan_file(band)
    Path("2026.overlay.toml").write_text("# mine\n")
    before = snapshot(band)
    ran = chainrun("cull", "apply", plan)
    assert (ran.code, snapshot(band)) == (5, before)
    Path("2026.overlay.toml").unlink()
    preset(band / "library" / "retired", "kick/old", [{"do": "gain"}])
    assert chainrun("cull", "apply", plan).code in (3, 5)


def test_two_libraries(band, chainrun):
    """A name with two chains is an error; with one chain it is harmless, but not culled before it is told apart."""
    copy = band / "mine" / "kick" / "old.preset.toml"
    copy.parent.mkdir(parents=True)
    shutil.copy(band / "library" / "kick" / "old.preset.toml", copy)
    shelf = Shelf([band / "mine", band / "library"])
    assert "kick/new" in shelf.presets and list(shelf.hidden) == ["kick/old"]
    path = plan_file(band)
    path.write_text(path.read_text().replace('["library"]', '["mine", "library"]'))
    ran = chainrun("cull", "apply", path)
    assert (ran.code, "lies in two libraries" in ran.err, "rename one" in ran.err) == (3, True, True)
    song = Path("songs/jig.recipe.toml")
    song.write_text(song.read_text().replace('["../library"]', '["../mine", "../library"]'))
    assert chainrun("check", song).code == 0
    preset(band / "mine", "kick/old", [{"do": "gain", "gain_db": 2}], since=2025)
    for command in (("check", song), ("presets", "list", "--presets", "mine", "--presets", "library")):
        ran = chainrun(*command)
        assert (ran.code, "two libraries have a preset 'kick/old'" in ran.err, "hint: rename one" in ran.err) == (
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
    file.write_text(file.read_text().replace("preset = 1", 'preset = 1\nwas = ["snare/flat"]'))
    found = usage([song])
    assert [(one.preset, one.path) for one in found.uses][:3] == [
        ("both/in-one", "stems.kick.chain.0"),
        ("kick/old", ""),
        ("snare/plain", "stems.kick.chain.end"),
    ]
    assert found.uses[2].changes == {"gain.gain_db": -2}
    assert operations(read_plan(plan_file(band, '[[preset]]\nname = "kick/old"\ndecision = "keep"\n'))) == []


def test_the_demos_history(demo, chainrun, monkeypatch, tmp_path):
    """2023's first kick was culled in 2025: the old session opens, says so, and takes the survivor under the overlay."""
    monkeypatch.chdir(tmp_path)
    old = Path("recipes/barn-2024.recipe.toml")
    ran = chainrun("check", old)
    assert (ran.code, "kick/first, retired in 2025; advised in its place: kick/close" in ran.err) == (0, True)
    ran = chainrun("compare", old, old, "--json")
    assert ran.code == 0
    assert chainrun("check", old, "--overlay", "recipes/2025.overlay.toml", "--strict").code == 0
    assert chainrun("cull", "undo", "recipes/2025.cull.toml").code == 0
    assert Path("recipes/presets/kick/first.preset.toml").exists()
    assert chainrun("check", old, "--strict").code == 0
    shutil.rmtree("out", ignore_errors=True)


# -- all or nothing ------------------------------------------------------------------------------------------------


def everything(folder):
    """All files but those of renders."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and "out" not in path.parts
    }


def fail_at(monkeypatch, name, number):
    """The `number`-th call of a function of cull.apply fails as a full disk does."""
    import chainrun.cull.apply
    import chainrun.cull.journal

    real, count = getattr(chainrun.cull.apply, name), 0

    def call(*arguments):
        nonlocal count
        count += 1
        if count == number:
            raise ResourceError(Problem("no space left on the device", file=str(arguments[0])))
        return real(*arguments)

    for module in (chainrun.cull.apply, chainrun.cull.journal):
        monkeypatch.setattr(module, name, call, raising=False)


@pytest.mark.parametrize(("name", "number"), [*(("write_whole", n) for n in range(1, 7)), ("_move", 1), ("_move", 2)])
def test_a_file_error_takes_all_of_it_back(band, chainrun, monkeypatch, name, number):
    plan = plan_file(band)
    before = everything(band)
    with monkeypatch.context() as patch:
        fail_at(patch, name, number)
        ran = chainrun("cull", "apply", plan)
        assert (ran.code, "no space left" in ran.err) == (5, True)
    assert everything(band) == before
    assert chainrun("cull", "apply", plan).code == 0
    applied = everything(band)
    with monkeypatch.context() as patch:
        fail_at(patch, name, min(number, 3))
        ran = chainrun("cull", "undo", plan)
        assert ran.code == 5
    assert everything(band) == applied
    assert chainrun("cull", "undo", plan).code == 0
    assert everything(band) == before


def killed_at(text):
    def step(told):
        if told.startswith(text):
            raise KilledError

    return step


def test_what_somebody_edits_behind_a_kill_is_not_written_over(band, chainrun):
    path = plan_file(band)
    for text, file in (
        ("move kick/old", "library/kick/old.preset.toml"),
        ("status of snare/box", "library/retired/kick/old.preset.toml"),
    ):
        with pytest.raises(KilledError):
            apply(read_plan(path), killed_at(text))
        edited = band / file
        was = edited.read_bytes()
        edited.write_bytes(was + b"# mine\n")
        before = everything(band)
        for word in ("apply", "undo"):
            ran = chainrun("cull", word, path)
            assert (ran.code, "changed since the cull was interrupted" in ran.err) == (5, True)
            assert everything(band) == before
        ran = chainrun("cull", "try", path)
        assert (ran.code, "was interrupted" in ran.err) == (2, True)
        assert everything(band) == before
        edited.write_bytes(was)
        assert chainrun("cull", "undo", path).code == 0
        assert (band / "library/kick/old.preset.toml").exists()


def test_apply_behind_a_killed_undo_applies(band, chainrun):
    path = plan_file(band)
    before = snapshot(band)
    apply(read_plan(path))
    after = snapshot(band)
    with pytest.raises(KilledError):
        undo(path, killed_at("move"))
    ran = chainrun("cull", "apply", path)
    assert (ran.code, "retired kick/old" in ran.out) == (0, True)
    assert snapshot(band) == after
    with pytest.raises(KilledError):
        undo(path, killed_at("move"))
    assert chainrun("cull", "undo", path).code == 0
    assert snapshot(band) == before
    with pytest.raises(KilledError):
        apply(read_plan(path), killed_at("move snare"))
    assert chainrun("cull", "undo", path).code == 0
    assert snapshot(band) == before
    assert chainrun("cull", "apply", path).code == 0
    ran = chainrun("cull", "apply", path)
    assert (ran.code, "nothing to do" in ran.out, snapshot(band) == after) == (0, True, True)


# -- names, variants, places -----------------------------------------------------------------------------------------


def test_a_use_by_a_former_name_is_replaced(band, chainrun):
    old = band / "library" / "kick" / "old.preset.toml"
    old.write_text(old.read_text().replace("preset = 1", 'preset = 1\nwas = ["kick/first"]'))
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
        file.write_text(file.read_text().replace("preset = 1", f"preset = 1\nwas = {json.dumps(was)}"))
    claimed = new[0]
    song = "songs/jig.recipe.toml" if claimed == "kick/old" else "songs/polka.recipe.toml"
    ran = chainrun("check", song)
    assert (ran.code, "a former name of kick/new" in ran.err, "hint:" in ran.err) == (3, True, True)
    ran = chainrun("presets", "list", "--presets", "library")
    assert (ran.code, "new.preset.toml:2:1" in ran.err) == (3, True)


def test_uses_of_variants_and_bases(band, chainrun):
    song = Path("songs/polka.recipe.toml")
    song.write_text(
        song.read_text()
        + '[variants.other]\n"stems.kick.chain" = [ { preset = "kick/old", name = "k", set = { "eq.bands.0.gain_db" = 1.0 } } ]\n'
    )
    Path("songs/air.recipe.toml").write_text('recipe = 1\nbase = "reel.recipe.toml"\n')
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
    Path("songs/broken.recipe.toml").write_text("recipe = 1\n")
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
            f'recipe = 1\npresets_dirs = ["retired/work/library"]\n[stems.x]\nfile = "x.wav"\nchain = [ {{ preset = "snare/{name}" }} ]\n'
        )
        assert chainrun("render", "x.recipe.toml", "-o", "out").code == 0


def test_apply_tells_set_paths_that_the_successor_lacks(band, chainrun):
    plan = plan_file(band, '[[preset]]\nname = "kick/old"\ndecision = "replace"\nby = "snare/plain"\n')
    ran = chainrun("cull", "apply", plan)
    assert (ran.code, "warning: reel, under the overlay" in ran.err, "matches nothing in the preset" in ran.err) == (
        0,
        True,
        True,
    )


# -- what makes two presets alike ------------------------------------------------------------------------------------


def test_width_beats_and_responses_tell_presets_apart(tmp_path):
    def face(*chain):
        return measure_face(steps(tmp_path, *chain))

    wide, narrow = (face({"do": "width", "width_pct": pct}) for pct in (150, 50))
    assert not apart("a", wide, "b", narrow).alike
    beats = face({"do": "echo", "time_beats": 1.0, "mix_pct": 40})
    times = face({"do": "echo", "time_ms": 500.0, "mix_pct": 40})  # a beat at 120 in a minute
    assert not apart("a", beats, "b", times).alike
    plain, stereo = face({"do": "gain", "gain_db": -3}), face({"do": "gain", "gain_db": -3}, {"do": "width"})
    assert apart("a", plain, "b", stereo).alike


def test_a_changed_response_is_measured_anew(tmp_path, chainrun, monkeypatch):
    monkeypatch.chdir(tmp_path)
    preset(tmp_path / "presets", "box", [{"do": "convolve", "file": "box.wav"}])
    seen = []
    for seed in (1, 2):
        soundfile.write(tmp_path / "presets" / "box.wav", noise(2400, 0.2, seed=seed), RATE)
        seen.append(chainrun("presets", "show", "box", "--json").json["face"]["response_db"])
    assert seen[0] != seen[1]


# -- year after year ----------------------------------------------------------------------------------------------------


def test_a_second_cull_reaches_the_sessions_of_the_first(band, chainrun):
    preset(band / "library", "kick/newest", [BELL, {"do": "compressor", "threshold_db": -24, "ratio": 3.1}], since=2026)
    first = plan_file(band, '[[preset]]\nname = "kick/old"\ndecision = "replace"\nby = "kick/new"\n')
    assert chainrun("cull", "apply", first).code == 0
    second = band / "2027.cull.toml"
    second.write_text(
        first.read_text().replace("2026", "2027").replace("kick/new", "kick/newest").replace("kick/old", "kick/new")
    )
    tried = chainrun("cull", "try", second, "--json").json["recipes"]
    assert {"jig.recipe.toml", "polka.recipe.toml"} <= {Path(one["recipe"]).name for one in tried}
    assert chainrun("cull", "apply", second).code == 0
    assert chainrun("check", "songs/jig.recipe.toml", "--overlay", "2027.overlay.toml", "--strict").code == 0
    told = chainrun("check", "songs/jig.recipe.toml").err
    assert "advised in its place: kick/newest (behind kick/new)" in told and "jig.recipe.toml:5:" in told
    ran = chainrun("cull", "apply", first)
    assert (ran.code, "nothing to do" in ran.out) == (0, True)
    before = snapshot(band)
    ran = chainrun("cull", "undo", first)
    assert (ran.code, "a later cull stands on this one" in ran.err, snapshot(band) == before) == (5, True, True)
    assert chainrun("cull", "undo", second).code == 0 and chainrun("cull", "undo", first).code == 0


def test_advice_that_goes_round_or_nowhere(band, chainrun):
    for name, by in (("old", "kick/new"), ("new", "kick/old")):
        file = band / "library" / "kick" / f"{name}.preset.toml"
        file.write_text(file.read_text().replace("preset = 1", f'preset = 1\nstatus = "retired"\nreplaced_by = "{by}"'))
    ran = chainrun("check", "songs/jig.recipe.toml")
    assert (ran.code, "go round in a circle: kick/old -> kick/new -> kick/old" in ran.err) == (0, True)
    ran = chainrun("presets", "list", "--presets", "library")
    assert (ran.code, "successors go round in a circle" in ran.err) == (3, True)
    file.write_text(file.read_text().replace("kick/old", "kick/nowhere"))
    assert (
        "kick/nowhere (behind kick/new), which is not in the library" in chainrun("check", "songs/jig.recipe.toml").err
    )


def test_presets_that_hold_each_other_are_told(band, chainrun):
    preset(band / "library", "a", [{"preset": "b"}])
    preset(band / "library", "b", [{"preset": "a"}])
    ran = chainrun("presets", "list", "--presets", "library")
    assert (ran.code, "presets use each other in a circle: a -> b -> a" in ran.err) == (3, True)


def test_a_failed_undo_leaves_an_edited_overlay_alone(band, chainrun, monkeypatch):
    plan = plan_file(band)
    chainrun("cull", "apply", plan)
    overlay = band / "2026.overlay.toml"
    overlay.write_text(overlay.read_text() + "# mine\n")
    (band / "2026.jobs.toml").unlink()
    before = everything(band)
    with monkeypatch.context() as patch:
        fail_at(patch, "_move", 2)
        assert chainrun("cull", "undo", plan).code == 5
    assert everything(band) == before
    assert chainrun("cull", "undo", plan).code == 0
    assert overlay.read_text().endswith("# mine\n")


def test_a_plan_changed_behind_a_kill_is_not_taken_for_the_old_one(band, chainrun):
    path = plan_file(band)
    with pytest.raises(KilledError):
        apply(read_plan(path), killed_at("move kick/old"))
    path.write_text(path.read_text().replace('name = "snare/box"', 'name = "snare/plain"'))
    ran = chainrun("cull", "apply", path)
    assert (ran.code, "was changed since its apply was interrupted" in ran.err) == (5, True)
    other = band / "other.cull.toml"
    other.write_text(path.read_text())
    for word in ("apply", "try"):
        ran = chainrun("cull", word, other)
        assert (ran.code, "a cull by another plan was interrupted" in ran.err, "2026.cull.toml" in ran.err) == (
            5,
            True,
            True,
        )
    assert chainrun("cull", "undo", path).code == 0
    assert chainrun("cull", "apply", other).code == 0
    assert not list(band.rglob(".cull*"))


def test_a_change_of_level_crosses_a_limit(band, chainrun):
    preset(
        band / "library",
        "kick/louder",
        [BELL, {"do": "compressor", "threshold_db": -24, "ratio": 3}, {"do": "gain", "gain_db": 9}],
    )
    plan = plan_file(band, '[[preset]]\nname = "kick/new"\ndecision = "replace"\nby = "kick/louder"\n')
    song = Path("songs/polka.recipe.toml")
    song.write_text(
        song.read_text().replace('[stems.snare]\nfile = "snare.wav"\nchain = [ { preset = "snare/box" } ]\n', "")
    )
    ran = chainrun("cull", "try", plan)
    assert (ran.code, "9.0 LU louder" in ran.out, "over" in ran.out) == (1, True, True)


def test_shares_tell_loudness_before_a_target_takes_it_away(band, chainrun):
    song = Path("songs/polka.recipe.toml")
    preset(band / "library", "kick/new", [BELL, {"do": "gain", "gain_db": -6}])
    song.write_text(song.read_text().split("[stems.snare]")[0] + '[[deliver]]\nfile = "mix.wav"\ntarget_lufs = -20\n')
    args = ("--presets", "library", "--recipes", "songs/polka.recipe.toml", "--shares", "--json")
    for more in ((), ("--no-store",)):
        (use,) = chainrun("presets", "where", "kick/new", *args, *more).json["uses"]
        assert use["bypassed"]["loudness_lu"] > 4


def test_a_batch_tells_what_the_overlay_moves(band, chainrun):
    plan = plan_file(band)
    chainrun("cull", "apply", plan)
    ran = chainrun("batch", "2026.jobs.toml")
    assert ran.code == 0, ran.err
    assert "moved by the overlays" in ran.out and "jig: " in ran.out
    assert (band / "out-2026" / "jig" / "mix.wav").exists() and (
        band / "out-2026" / "jig" / "before" / "mix.wav"
    ).exists()
    again = chainrun("batch", "2026.jobs.toml", "--json").json["jobs"]
    moved = {one["job"]: one["moved"] for one in again}
    assert moved["polka"]["verdict"] == "the same samples" and moved["jig"]["residual_lu"] < -20
    assert chainrun("batch", "2026.jobs.toml", "--strict").code == 1  # snare/box was retired, and has no successor


def test_when_a_recipe_was_last_rendered(band, chainrun):
    args = ("--presets", "library", "--recipes", "songs/jig.recipe.toml", "--json")

    def day():
        return chainrun("presets", "where", "kick/old", *args, "--shares").json["uses"][0]["last_rendered"]

    assert day() is None  # that was rendered for shares alone
    chainrun("render", "songs/jig.recipe.toml", "-o", "out")
    song = Path("songs/jig.recipe.toml")
    song.write_text(song.read_text().replace('file = "snare.wav"', 'file = "snare.wav"\nlevel_db = -1'))
    assert day() is not None  # as it was then


@pytest.mark.parametrize("mark", ["\u2028", "\u0085", "\x0c"])
def test_line_ends_that_toml_does_not_know(band, chainrun, mark):
    if mark != "\x0c":
        file = band / "library" / "kick" / "old.preset.toml"
        file.write_text(f'about = "one{mark}two"\n' + file.read_text(), encoding="utf-8")
        assert chainrun("cull", "apply", plan_file(band)).code == 0


def test_folders_with_brackets(band, chainrun):
    (band / "songs").rename(band / "songs [live]")
    args = ("--presets", "library", "--json")
    ran = chainrun("presets", "where", "kick/old", "--recipes", "songs [live]/jig.recipe.toml", *args)
    assert len(ran.json["uses"]) == 1
    plan = band / "songs [live]" / "2026.cull.toml"
    plan.write_text('cull = 1\nyear = 2026\npresets_dirs = ["../library"]\nrecipes = ["*.recipe.toml"]\n')
    assert chainrun("cull", "try", plan).code == 0


def test_mistakes_in_a_plan_have_their_line(band, chainrun):
    for text, line, told in (
        ('[[preset]]\nname = "kick/old"\ndecision = "delete"\n', ":7:1", "decision"),
        ('[[preset]]\nname = "kick/odl"\ndecision = "retire"\n', ":6:1", "did you mean 'kick/old'"),
        ("max_level = 3\n", ":5:1", "did you mean 'max_level_lu'"),
    ):
        plan = plan_file(band, text)
        ran = chainrun("cull", "try", plan)
        assert (ran.code, f"2026.cull.toml{line}" in ran.err, told in ran.err) == (3, True, True), ran.err
    plan.write_text(plan.read_text().replace('["library"]', '["nope"]').replace("max_level = 3\n", ""))
    ran = chainrun("cull", "try", plan)
    assert (ran.code, "2026.cull.toml:3:" in ran.err, "no such preset library" in ran.err) == (3, True, True), ran.err
    preset(band / "library", "kick/around", [{"preset": "kick/old"}])
    plan = plan_file(band, '[[preset]]\nname = "kick/old"\ndecision = "replace"\nby = "kick/around"\n')
    ran = chainrun("cull", "apply", plan)
    assert (ran.code, "would hold itself: kick/around -> kick/old" in ran.err) == (3, True)
    assert chainrun("cull", "apply", band).code == 3


def test_times_are_those_of_the_whole_way(tmp_path):
    """A compressor's smoother moves the gain as a one-pole in dB: two thirds of the way take 1.1 time constants."""
    for attack, release in ((3, 100), (30, 800)):
        face = measure_face(
            steps(
                tmp_path,
                {
                    "do": "compressor",
                    "threshold_db": -24,
                    "ratio": 3,
                    "knee_db": 0,
                    "attack_ms": attack,
                    "release_ms": release,
                },
            )
        )
        assert face.release_ms == pytest.approx(1.1 * release, rel=0.15)
        # Between a sine's peaks it lets go a little, so that it takes longer.
        assert attack <= face.attack_ms <= 2 * attack + 2
    assert measure_face(steps(tmp_path, {"do": "delay", "time_ms": 23})).attack_ms is None
