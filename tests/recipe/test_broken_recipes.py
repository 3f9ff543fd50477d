"""Broken recipes beside their whole expected output: tests/recipes/broken/NAME.recipe.toml and NAME.expected.txt."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.signals import ROOT

FOLDER = ROOT / "tests" / "recipes" / "broken"

NAMES = sorted(path.name.removesuffix(".recipe.toml") for path in FOLDER.glob("*.recipe.toml"))


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("broken") / "session"
    shutil.copytree(FOLDER, made)
    t = np.sin(np.arange(9600) / 10) * 0.3
    soundfile.write(made / "mono.wav", t, 48000)
    soundfile.write(made / "stereo.wav", np.stack([t, t]).T, 48000)
    soundfile.write(made / "six.wav", np.stack([t] * 6).T, 48000)
    soundfile.write(made / "empty.wav", np.zeros(0), 48000)
    soundfile.write(made / "silent.wav", np.zeros(480), 48000)
    broken = t.copy()
    broken[4321] = np.nan
    soundfile.write(made / "nan.wav", broken, 48000, subtype="FLOAT")
    (made / "cut.wav").write_bytes((made / "mono.wav").read_bytes()[:9000])
    (made / "text.wav").write_text("this is a letter, not a recording\n")
    return made


@pytest.mark.parametrize("name", NAMES)
def test_broken_recipe(name, folder, chainrun, monkeypatch):
    monkeypatch.chdir(folder)
    overlay = Path(f"{name}.overlay.toml")
    extra = ["--overlay", overlay] if overlay.exists() else []
    ran = chainrun("render", f"{name}.recipe.toml", "-o", "out", "--quiet", *extra)
    said = f"exit {ran.code}\n{ran.err}".replace(str(folder), "SESSION")
    expected = FOLDER / f"{name}.expected.txt"
    if os.environ.get("CHAINRUN_REWRITE_EXPECTED"):
        expected.write_text(said)
    assert said == expected.read_text()
    assert ran.code in (3, 4)
    assert "Traceback" not in said
    assert not [path for path in folder.glob("out/**/*") if path.is_file()], "a broken recipe leaves no output"


def test_there_are_many():
    assert len(NAMES) >= 30
