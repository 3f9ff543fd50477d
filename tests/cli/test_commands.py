"""The commands as a user meets them."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests import program

SIMPLE = 'grammar = 1\n[stems.kick]\nfile = "kick.wav"\nchain = [ { do = "compressor", threshold_dbfs = -30 } ]\n'


def test_render_shows_a_table_in_80_columns(session, chainrun):
    ran = chainrun("render", session.write(SIMPLE), "-o", "out")
    assert ran.code == 0
    assert max(map(len, ran.out.splitlines())) <= 80
    assert "compressor" in ran.out
    assert "times real time" in ran.out
    assert Path("out/mix.wav").exists()


def test_render_json_is_one_document(session, chainrun):
    found = chainrun("render", session.write(SIMPLE), "-o", "out", "--json").json
    # Field names: the project's own contract, stated in DEVELOPERS.md.
    assert {"schema_version", "engine", "recipe", "recipe_hash", "deliveries", "nodes", "warnings", "seconds",
            "times_real_time"} <= set(found)  # fmt: skip
    assert set(found["nodes"]) == {"kick", "main"}
    reading = found["nodes"]["kick"]["readings"][0]
    assert reading["step"] == "chain.0"
    assert len(reading["curve_max_db"]) >= 50
    assert len(found["deliveries"][0]["pcm_sha256"]) == 64


def test_json_has_null_and_a_reason_for_silence(session, chainrun):
    path = session.write(SIMPLE.replace("chain", "mute = true\nchain") + '[[deliver]]\nfile = "mix.wav"\nbits = 32\n')
    found = chainrun("render", path, "-o", "out", "--json").json
    measured = found["deliveries"][0]["measured"]
    assert measured["integrated_lufs"] is None
    assert measured["reasons"]["integrated_lufs"] == "silence"


def test_several_recipes_and_variants_get_their_folders(session, chainrun):
    one = session.write(SIMPLE, "one")
    two = session.write(SIMPLE + '[variants.soft]\n"stems.kick.level_db" = -9\n', "two")
    assert chainrun("render", one, two, "-o", "out").code == 0
    assert chainrun("render", two, "-o", "out", "--variant", "soft").code == 0
    assert {str(p) for p in Path("out").rglob("*.wav")} == {
        "out/one/mix.wav", "out/two/mix.wav", "out/two.soft/mix.wav"}  # fmt: skip


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["render"], 2, "Missing argument"),
        (["rendr", "x"], 2, "No such command"),
        (["render", "nobody.recipe.toml"], 3, "there is no such file"),
        (["render", "song.recipe.toml", "--variant", "x"], 3, "there is no such variant"),
        (["render", "song.recipe.toml", "--only", "kik"], 2, "did you mean 'kick'?"),
        (["render", "song.recipe.toml", "--set", "stems.kick"], 3, "must be PATH=VALUE"),
        (["render", "song.recipe.toml", "--overlay", "no.toml"], 3, "there is no such file"),
        (["explain", "gaet"], 2, "did you mean 'gate'?"),
        (["measure", "nobody.wav"], 4, "there is no such file"),
        (["schema", "-o", "a", "--check", "b"], 2, "do not go together"),
    ],
)
def test_mistakes_are_reported_with_their_exit_code(session, chainrun, arguments, code, said):
    session.write(SIMPLE)
    ran = chainrun(*arguments)
    assert (ran.code, said in ran.err) == (code, True), ran.err
    assert "Traceback" not in ran.err


def test_check_json_has_the_stated_fields(session, chainrun):
    path = session.write(SIMPLE.replace("threshold_dbfs = -30", "threshold_dbfs = 99"))
    ran = chainrun("check", path, "--json")
    assert ran.code == 3
    (problem,) = ran.json["problems"]
    assert set(problem) == {
        "file",
        "line",
        "column",
        "key",
        "message",
        "given",
        "allowed",
        "hint",
        "severity",
        "code",
    }
    assert (problem["line"], problem["key"]) == (4, "stems.kick.chain.0.threshold_dbfs")


def test_check_looks_into_the_variants(session, chainrun):
    path = session.write(SIMPLE + '[variants.x]\n"stems.zzz.level_db" = 3\n')
    ran = chainrun("check", path)
    assert (ran.code, "the path matches nothing" in ran.err) == (3, True)


def test_a_later_broken_recipe_stops_all_before_the_first_render(session, chainrun):
    good, bad = session.write(SIMPLE, "good"), session.write(SIMPLE + "typo = 1\n", "bad")
    assert chainrun("render", good, bad, "-o", "out").code == 3
    assert not Path("out").exists()


def test_measure_reports_good_and_bad_files(session, chainrun):
    ran = chainrun("measure", "kick.wav", "nobody.wav", "--json")
    assert (ran.code, len(ran.json["files"]), len(ran.json["problems"])) == (4, 1, 1)


def test_tables_stay_in_80_columns_with_long_names(session, chainrun):
    path = session.write(SIMPLE.replace("kick]", "k" * 64 + "]"))
    ran = chainrun("render", path, "-o", "o" * 60)
    assert max(map(len, ran.out.splitlines())) <= 80


def test_check_renders_nothing(session, chainrun):
    before = sorted(Path().iterdir())
    assert chainrun("check", session.write(SIMPLE)).code == 0
    assert [p for p in sorted(Path().iterdir()) if p not in before] == [Path("song.recipe.toml")]


def test_resolve_writes_a_recipe_that_renders_the_same(session, chainrun):
    path = session.write(SIMPLE)
    first = chainrun("render", path, "-o", "out", "--json").json["deliveries"][0]["pcm_sha256"]
    assert chainrun("resolve", path, "--write", "flat.recipe.toml").code == 0
    assert chainrun("render", "flat.recipe.toml", "-o", "out", "--json").json["deliveries"][0]["pcm_sha256"] == first
    assert chainrun("resolve", path, "--write", path).code == 2, "a person's file is never rewritten"


def test_measure(session, chainrun):
    ran = chainrun("measure", "kick.wav", "pair.wav", "--json")
    files = ran.json["files"]
    assert [Path(f["file"]).name for f in files] == ["kick.wav", "pair.wav"]
    assert files[1]["measured"]["n_channels"] == 2


def test_a_read_only_output_folder(session, chainrun):
    path = session.write(SIMPLE)
    Path("out").write_text("a file stands where the folder should be")
    ran = chainrun("render", path, "-o", "out")
    assert ran.code == 5
    assert "output folder" in ran.err


def test_without_arguments_it_says_what_to_do_next(chainrun):
    ran = chainrun()
    assert (ran.code, ran.err) == (0, "")
    assert "chainrun render RECIPE" in ran.out
    assert max(map(len, ran.out.splitlines())) <= 80


def test_python_dash_m_and_version():
    ran = program.run_as_process("--version")
    assert ran.code == 0
    assert ran.out.startswith("chainrun ")
