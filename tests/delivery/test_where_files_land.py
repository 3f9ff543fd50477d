"""Deliveries land in the output folder, on no input, and leave no folder of work."""

from __future__ import annotations

import os
from pathlib import Path

from tests.songs import WHOLE


def test_a_delivery_never_lands_on_an_input(session, chainrun):
    before = Path("kick.wav").read_bytes()
    path = session.write(
        'grammar = 1\n[stems.kick]\nfile = "kick.wav"\n[[deliver]]\nfile = "{name}.wav"\nwhat = "stems.*"\n'
    )
    ran = chainrun("render", path, "-o", ".")
    assert (ran.code, "overwrite an input" in ran.err) == (3, True)
    assert Path("kick.wav").read_bytes() == before


def test_stems_and_buses_are_delivered(session, chainrun):
    path = session.write(WHOLE + '[[deliver]]\nfile = "{recipe}-{name}.flac"\nwhat = "stems.*"\ntap = "fader"\n')
    assert chainrun("render", path, "-o", "out").code == 0
    names = {p.name for p in Path("out").iterdir()}
    assert names == {"mix.wav", *(f"song-{n}.flac" for n in ("kick", "snare", "pair", "other"))}


def test_a_work_folder_never_stays(session, chainrun):
    path = session.write(WHOLE)
    chainrun("render", path, "-o", "out")
    assert sorted(p.name for p in Path("out").iterdir()) == ["mix.wav"]


def test_deliveries_stay_in_the_output_folder(session, chainrun, tmp_path, store):
    text = 'grammar = 1\n[stems.kick]\nfile = "kick.wav"\n[[deliver]]\nfile = "sub/mix.wav"\nsidecar = true\n'
    song = session.write(text)
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    Path("out").mkdir()
    Path("out/sub").symlink_to(elsewhere)
    ran = chainrun("render", song, "-o", "out")
    assert ran.code == 3 and "outside the output folder" in ran.err
    assert not list(elsewhere.iterdir())
    Path("out/sub").unlink()
    # A link at the file's own place is replaced, and its target stays.
    Path("out/sub").mkdir()
    (elsewhere / "mine.wav").write_text("precious")
    Path("out/sub/mix.wav").symlink_to(elsewhere / "mine.wav")
    assert chainrun("render", song, "-o", "out").code == 0
    assert (elsewhere / "mine.wav").read_text() == "precious" and not Path("out/sub/mix.wav").is_symlink()
    # A link to an input is refused.
    Path("out/sub/mix.wav").unlink()
    Path("out/sub/mix.wav").symlink_to(tmp_path / "kick.wav")
    before = Path("kick.wav").read_bytes()
    ran = chainrun("render", song, "-o", "out")
    assert ran.code == 3 and "overwrite an input" in ran.err and Path("kick.wav").read_bytes() == before


def test_deliveries_spare_the_store_pipes_and_folders(session, chainrun, store):
    song = session.write('grammar = 1\n[stems.kick]\nfile = "kick.wav"\n')
    ran = chainrun("render", song, "-o", store / "prints")
    assert ran.code == 3 and "into the store" in ran.err
    Path("out").mkdir()
    os.mkfifo("out/mix.wav")
    ran = chainrun("render", song, "-o", "out")
    assert ran.code == 3 and "not a file" in ran.err
    os.unlink("out/mix.wav")
    Path("out/mix.wav").mkdir()
    assert chainrun("render", song, "-o", "out").code == 3
