"""The program works in deleted folders and without a home folder."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests import program


def test_a_deleted_working_folder(place, tmp_path):
    """Absolute paths work; a path that needs the folder is reported."""
    recipe, out = place / "song.recipe.toml", tmp_path / "out"
    go = f"mkdir {tmp_path}/gone && cd {tmp_path}/gone && rmdir {tmp_path}/gone"
    env = program.environment()
    ran = program.run_in_shell(f"{go} && chainrun render {recipe} -o {out} --quiet", env=env)
    assert (ran.code, (out / "mix.wav").exists()) == (0, True), ran.err
    ran = program.run_in_shell(f"{go} && chainrun render song.recipe.toml", env=env)
    assert ran.code in (3, 5), ran.err
    assert "Traceback" not in ran.err
    ran = program.run_in_shell(f"{go} && chainrun check {recipe}", env=env)
    assert ran.code == 0, ran.err


@pytest.mark.parametrize("home", ["none", "a file", "nowhere"])
def test_a_home_that_cannot_be_written_to(place, tmp_path, home):
    """As root nothing is read-only; a file in the home's place refuses all the same."""
    (tmp_path / "file").write_text("")
    environment = {key: value for key, value in os.environ.items() if not key.startswith(("CHAINRUN", "HOME", "XDG"))}
    environment |= {"a file": {"HOME": str(tmp_path / "file")}, "nowhere": {"HOME": "/proc/nowhere"}}.get(home, {})
    ran = program.run_as_process(
        "render", "song.recipe.toml", "-o", "out", env={**environment, "LANG": "C", "TERM": "dumb"}
    )
    assert ran.code == 0, ran.err
    assert Path("out/mix.wav").exists()
    assert "Traceback" not in ran.err
