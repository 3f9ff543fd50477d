"""A recipe reads files inside its root, and inside one folder that is allowed."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest


def test_allow_root_opens_one_folder_and_no_other(session, chainrun, tmp_path):
    inner = tmp_path / "inner"
    inner.mkdir()
    (inner / "song.recipe.toml").write_text('grammar = 1\n[stems.kick]\nfile = "../kick.wav"\n')
    song = inner / "song.recipe.toml"
    ran = chainrun("check", song)
    assert ran.code == 3 and "outside the recipe's root" in ran.err and "touch .chainrun-root" in ran.err
    assert chainrun("check", song, "--allow-root", tmp_path).code == 0
    assert chainrun("check", song, "--allow-root", tmp_path / "elsewhere").code == 3
    (tmp_path / ".chainrun-root").touch()
    assert chainrun("check", song).code == 0


SONG = 'grammar = 1\n[stems.kick]\nfile = "kick.wav"\n[[deliver]]\nfile = "mix.wav"\n'


def test_stems_outside_the_root_are_one_problem_with_the_line_that_fixes_it(session, chainrun, monkeypatch):
    Path("song").mkdir()
    stems = "".join(f'[stems.s{i}]\nfile = "kick.wav"\n' for i in range(18))
    Path("song/song.recipe.toml").write_text(f'grammar = 1\nstems_dir = ".."\n{stems}[[deliver]]\nfile = "mix.wav"\n')
    for folder in (".", "song"):
        monkeypatch.chdir(session.folder / folder)
        ran = chainrun("check", session.folder / "song" / "song.recipe.toml")
        assert ran.code == 3
        assert ran.err.count("outside the recipe's root") == 1
        (line,) = [line for line in ran.err.splitlines() if "hint: touch " in line]
        command = line.partition("hint: ")[2]
        mark = Path(command.removeprefix("touch "))
        mark.touch()
        assert chainrun("check", session.folder / "song" / "song.recipe.toml").code == 0
        mark.unlink()


@pytest.mark.parametrize("kind", ["stem", "response", "preset", "base"])
def test_one_exit_code_for_files_outside_the_root(session, chainrun, kind):
    Path("inside").mkdir()
    Path("p").mkdir()
    Path("p/a.preset.toml").write_text("grammar = 1\nsince = 2020\nchain = []\n")
    Path("b.recipe.toml").write_text("grammar = 1\n")
    shutil.copy("kick.wav", "inside/kick.wav")
    text = {
        "stem": SONG.replace('"kick.wav"', '"../kick.wav"'),
        "response": SONG.replace("[[del", 'chain = [ { do = "convolve", file = "../kick.wav" } ]\n[[del'),
        "preset": SONG.replace("grammar = 1", 'grammar = 1\npresets_dirs = ["../p"]').replace(
            "[[del", 'chain = [ { preset = "a" } ]\n[[del'
        ),
        "base": SONG.replace("grammar = 1", 'grammar = 1\nbase = "../b.recipe.toml"'),
    }[kind]
    Path("inside/song.recipe.toml").write_text(text)
    ran = chainrun("check", "inside/song.recipe.toml")
    assert (ran.code, "outside the recipe's root" in ran.err) == (3, True), ran.err
