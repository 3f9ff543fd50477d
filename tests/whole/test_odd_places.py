"""The program stands in deleted folders and without a home."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests import program
from tests.signals import ROOT


def test_a_deleted_working_folder(place, tmp_path):
    """Whole paths work; what needs the folder is told."""
    recipe, out = place / "song.recipe.toml", tmp_path / "out"
    script = f"mkdir {tmp_path}/gone && cd {tmp_path}/gone && rmdir {tmp_path}/gone && {sys.executable} -m chainrun "
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    ran = subprocess.run(
        ["bash", "-c", f"{script} render {recipe} -o {out} --quiet"], capture_output=True, text=True, env=environment
    )
    assert (ran.returncode, (out / "mix.wav").exists()) == (0, True), ran.stderr
    ran = subprocess.run(
        ["bash", "-c", f"{script} render song.recipe.toml"], capture_output=True, text=True, env=environment
    )
    assert ran.returncode in (3, 5), ran.stderr
    assert "Traceback" not in ran.stderr
    ran = subprocess.run(["bash", "-c", f"{script} check {recipe}"], capture_output=True, text=True, env=environment)
    assert ran.returncode == 0, ran.stderr


@pytest.mark.parametrize("home", ["none", "a file", "nowhere"])
def test_a_home_that_cannot_be_written_to(place, tmp_path, home):
    """As root nothing is read-only; a file in the home's place refuses all the same."""
    (tmp_path / "file").write_text("")
    environment = {key: value for key, value in os.environ.items() if not key.startswith(("CHAINRUN", "HOME", "XDG"))}
    environment |= {"a file": {"HOME": str(tmp_path / "file")}, "nowhere": {"HOME": "/proc/nowhere"}}.get(home, {})
    ran = program.run_as_process(
        "render",
        "song.recipe.toml",
        "-o",
        "out",
        env={**environment, "LANG": "C", "TERM": "dumb"},
        stdin=subprocess.DEVNULL,
    )
    assert ran.returncode == 0, ran.stderr
    assert Path("out/mix.wav").exists()
    assert "Traceback" not in ran.stderr
