"""An option that writes a file overwrites only files of its own kind."""

from __future__ import annotations

from pathlib import Path

import pytest

SONG = 'grammar = 1\n[stems.kick]\nfile = "kick.wav"\n[[deliver]]\nfile = "mix.wav"\n'

WRITERS = {
    "log of render": ("render", "song.recipe.toml", "-o", "out", "--log"),
    "log of batch": ("batch", "night.jobs.toml", "--log"),
    "junit": ("verify", "song.recipe.toml", "--junit-xml"),
    "markdown": ("verify", "song.recipe.toml", "--markdown"),
    "report": ("render", "song.recipe.toml", "-o", "out", "--report"),
    "resolve": ("resolve", "song.recipe.toml", "--write"),
    "draft": ("draft", "stems", "--write"),
    "overlay of a survey": ("survey", "song.recipe.toml", "--write"),
    "pack": ("pack", "song.recipe.toml", "--no-licence", "--write"),
}

VICTIMS = ["kick.wav", "song.recipe.toml", "mine.overlay.toml", "notes.md", "night.jobs.toml", "mine.zip", "fifo"]


@pytest.fixture
def folder(session, chainrun):
    session.write(SONG)
    Path("stems").mkdir()
    Path("stems/kick.wav").write_bytes(Path("kick.wav").read_bytes())
    Path("mine.overlay.toml").write_text('"stems.kick.level_db" = -1.0\n')
    Path("notes.md").write_text("# my notes\n")
    Path("mine.zip").write_bytes(b"PK\x05\x06" + bytes(18))
    Path("night.jobs.toml").write_text('grammar = 1\n[[job]]\nrecipes = ["song.recipe.toml"]\n')
    assert chainrun("verify", "song.recipe.toml", "--accept").code == 0
    return session.folder


@pytest.mark.parametrize("writer", WRITERS)
@pytest.mark.parametrize("victim", VICTIMS)
def test_files_of_others_are_not_overwritten(folder, chainrun, writer, victim):
    import os

    if victim == "fifo":
        os.mkfifo("fifo")
    before = Path(victim).read_bytes() if victim != "fifo" else b""
    ran = chainrun(*WRITERS[writer], victim)
    assert ran.code == 2, (ran.code, ran.out, ran.err)
    assert victim in ran.err
    assert (Path(victim).read_bytes() if victim != "fifo" else b"") == before


@pytest.mark.parametrize("writer", ["log of render", "log of batch", "junit", "markdown", "pack"])
def test_own_files_are_overwritten(folder, chainrun, writer):
    name = "own.zip" if writer == "pack" else "own"
    Path(name).touch()
    if writer == "pack":
        Path(name).unlink()
    for _ in range(2):
        ran = chainrun(*WRITERS[writer], name)
        assert ran.code == 0, ran.err
    assert Path(name).stat().st_size > 100
