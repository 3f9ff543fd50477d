"""Raw samples are refused by name, and names that are not UTF-8 are read."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

SONG = 'grammar = 1\n[stems.kick]\nfile = "kick.wav"\n[[deliver]]\nfile = "mix.wav"\n'


def test_raw_samples_are_refused_by_name(session, chainrun):
    Path("kick.raw").write_bytes(bytes(9600))
    ran = chainrun("check", session.write(SONG.replace("kick.wav", "kick.raw")))
    assert (ran.code, "raw samples have no header" in ran.err) == (4, True), ran.err
    assert chainrun("measure", "kick.raw").code == 4


def test_names_that_are_not_utf8(session, chainrun):
    odd = os.fsdecode(b"st\xffem.wav")
    shutil.copy("kick.wav", odd)
    assert chainrun("measure", odd).code == 0
    recipe = session.folder / os.fsdecode(b"s\xffng.recipe.toml")
    recipe.write_text(SONG)
    for command in (("check", recipe), ("render", recipe, "-o", "out"), ("resolve", recipe), ("verify", recipe)):
        ran = chainrun(*command)
        assert ran.code in (0, 1, 2), (command, ran.code, ran.err)
        assert "defect" not in ran.err, ran.err
    Path("folder").mkdir()
    shutil.copy("kick.wav", Path("folder") / odd)
    ran = chainrun("draft", "folder")
    assert ran.code in (0, 2, 4), ran.err
    assert "defect" not in ran.err
