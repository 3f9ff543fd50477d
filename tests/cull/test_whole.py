"""A cull is done whole or not at all, whatever fails or is killed; shares and times are reported.

The generated catalogue and its truth are ours (tests/cull/catalogue.py): twins are the same sound with other numbers.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from chainrun.cull.apply import apply, undo
from chainrun.cull.plan import read_plan
from chainrun.errors import Problem, ResourceError
from chainrun.library.profile import measure_profile
from chainrun.problem_codes import Code
from tests.cull.shelves import BELL, KilledError, plan_file, preset, snapshot, steps

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
            raise ResourceError(Problem("no space left on the device", file=str(arguments[0]), code=Code.CANNOT_WRITE))
        return real(*arguments)

    for module in (chainrun.cull.apply, chainrun.cull.journal):
        monkeypatch.setattr(module, name, call, raising=False)


@pytest.mark.parametrize(("name", "number"), [*(("write_whole", n) for n in range(1, 7)), ("_move", 1), ("_move", 2)])
def test_a_file_error_undoes_everything(band, chainrun, monkeypatch, name, number):
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


def test_edits_after_a_kill_are_not_overwritten(band, chainrun):
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


def test_apply_after_a_killed_undo_applies(band, chainrun):
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


# -- year after year ----------------------------------------------------------------------------------------------------


def test_a_second_cull_reaches_the_sessions_of_the_first(band, chainrun):
    preset(
        band / "library", "kick/newest", [BELL, {"do": "compressor", "threshold_dbfs": -24, "ratio": 3.1}], since=2026
    )
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
    assert "its successor is kick/newest (after kick/new)" in told and "jig.recipe.toml:5:" in told
    ran = chainrun("cull", "apply", first)
    assert (ran.code, "nothing to do" in ran.out) == (0, True)
    before = snapshot(band)
    ran = chainrun("cull", "undo", first)
    assert (ran.code, "a later cull builds on this one" in ran.err, snapshot(band) == before) == (5, True, True)
    assert chainrun("cull", "undo", second).code == 0 and chainrun("cull", "undo", first).code == 0


def test_advice_that_is_a_circle_or_leads_nowhere(band, chainrun):
    for name, by in (("old", "kick/new"), ("new", "kick/old")):
        file = band / "library" / "kick" / f"{name}.preset.toml"
        file.write_text(
            file.read_text().replace("grammar = 1", f'grammar = 1\nstatus = "retired"\nreplaced_by = "{by}"')
        )
    ran = chainrun("check", "songs/jig.recipe.toml")
    assert (ran.code, "form a circle: kick/old -> kick/new -> kick/old" in ran.err) == (0, True)
    ran = chainrun("presets", "list", "--presets", "library")
    assert (ran.code, "successors form a circle" in ran.err) == (3, True)
    file.write_text(file.read_text().replace("kick/old", "kick/nowhere"))
    assert (
        "kick/nowhere (after kick/new), which is not in the library" in chainrun("check", "songs/jig.recipe.toml").err
    )


def test_presets_that_hold_each_other_are_reported(band, chainrun):
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


def test_a_plan_changed_after_a_kill_is_not_taken_for_the_old_one(band, chainrun):
    path = plan_file(band)
    with pytest.raises(KilledError):
        apply(read_plan(path), killed_at("move kick/old"))
    path.write_text(path.read_text().replace('name = "snare/box"', 'name = "snare/plain"'))
    ran = chainrun("cull", "apply", path)
    assert (ran.code, "was changed after its apply was interrupted" in ran.err) == (5, True)
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
        [BELL, {"do": "compressor", "threshold_dbfs": -24, "ratio": 3}, {"do": "gain", "gain_db": 9}],
    )
    plan = plan_file(band, '[[preset]]\nname = "kick/new"\ndecision = "replace"\nby = "kick/louder"\n')
    song = Path("songs/polka.recipe.toml")
    song.write_text(
        song.read_text().replace('[stems.snare]\nfile = "snare.wav"\nchain = [ { preset = "snare/box" } ]\n', "")
    )
    ran = chainrun("cull", "try", plan)
    assert (ran.code, "9.0 LU louder" in ran.out, "exceeded" in ran.out) == (1, True, True)


def test_shares_show_loudness_before_a_target_changes_it(band, chainrun):
    song = Path("songs/polka.recipe.toml")
    preset(band / "library", "kick/new", [BELL, {"do": "gain", "gain_db": -6}])
    song.write_text(song.read_text().split("[stems.snare]")[0] + '[[deliver]]\nfile = "mix.wav"\ntarget_lufs = -20\n')
    args = ("--presets", "library", "--recipes", "songs/polka.recipe.toml", "--shares", "--json")
    for more in ((), ("--no-store",)):
        (use,) = chainrun("presets", "where", "kick/new", *args, *more).json["uses"]
        assert use["bypassed"]["loudness_change_lu"] > 4


def test_a_batch_reports_what_the_overlay_moves(band, chainrun):
    plan = plan_file(band)
    chainrun("cull", "apply", plan)
    ran = chainrun("batch", "2026.jobs.toml")
    assert ran.code == 0, ran.err
    assert "changed by the overlays" in ran.out and "jig: " in ran.out
    assert (band / "out-2026" / "jig" / "mix.wav").exists() and (
        band / "out-2026" / "jig" / "before" / "mix.wav"
    ).exists()
    again = chainrun("batch", "2026.jobs.toml", "--json").json["jobs"]
    moved = {one["job"]: one["difference"] for one in again}
    assert moved["polka"]["verdict"] == "identical samples" and moved["jig"]["residual_lu"] < -20
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
    plan.write_text('grammar = 1\nyear = 2026\npresets_dirs = ["../library"]\nrecipes = ["*.recipe.toml"]\n')
    assert chainrun("cull", "try", plan).code == 0


def test_mistakes_in_a_plan_have_their_line(band, chainrun):
    for text, line, told in (
        ('[[preset]]\nname = "kick/old"\ndecision = "delete"\n', ":7:1", "decision"),
        ('[[preset]]\nname = "kick/odl"\ndecision = "retire"\n', ":6:1", "did you mean 'kick/old'"),
        ("max_level = 3\n", ":5:1", "did you mean 'max_level_change_lu'"),
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
    assert (ran.code, "would contain itself: kick/around -> kick/old" in ran.err) == (3, True)
    assert chainrun("cull", "apply", band).code == 3


def test_times_are_those_of_the_whole_way(tmp_path):
    """A compressor's smoother moves the gain as a one-pole in dB: two thirds of the way take 1.1 time constants."""
    for attack, release in ((3, 100), (30, 800)):
        profile = measure_profile(
            steps(
                tmp_path,
                {
                    "do": "compressor",
                    "threshold_dbfs": -24,
                    "ratio": 3,
                    "knee_db": 0,
                    "attack_ms": attack,
                    "release_ms": release,
                },
            )
        )
        assert profile.release_ms == pytest.approx(1.1 * release, rel=0.15)
        # Between a sine's peaks it releases a little, so that it takes longer.
        assert attack <= profile.attack_ms <= 2 * attack + 2
    assert measure_profile(steps(tmp_path, {"do": "delay", "time_ms": 23})).attack_ms is None
