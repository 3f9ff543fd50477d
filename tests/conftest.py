"""What the tests share: small audio files, and the program run in this process."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile

from chainrun.cli import app
from tests.signals import copy_of_demo, drums, noise

ROOT = Path(__file__).parent.parent


@dataclass
class Ran:
    """What a command did."""

    code: int
    out: str
    err: str

    @property
    def json(self):
        return json.loads(self.out)


@pytest.fixture(autouse=True)
def store(tmp_path_factory, monkeypatch):
    """A store of its own for every test, and no word of where the tests run: CI refuses to accept baselines."""
    folder = tmp_path_factory.mktemp("store")
    monkeypatch.delenv("CI", raising=False)
    monkeypatch.setenv("CHAINRUN_STORE", str(folder))
    return folder


@pytest.fixture
def chainrun(capsys):
    """Runs a command: chainrun("render", path, …)."""

    def call(*arguments):
        capsys.readouterr()
        code = app.main([str(argument) for argument in arguments])
        captured = capsys.readouterr()
        return Ran(code, captured.out, captured.err)

    return call


@pytest.fixture
def session(tmp_path, monkeypatch):
    """A folder with small stems, as the working folder; `session.write(text)` makes a recipe in it."""
    n = 24000
    soundfile.write(tmp_path / "kick.wav", drums(n, seed=1) * 0.5, 48000, subtype="FLOAT")
    soundfile.write(tmp_path / "snare.wav", drums(n, seed=2, bpm=240) * 0.5, 48000, subtype="FLOAT")
    soundfile.write(tmp_path / "pair.wav", np.stack([noise(n, seed=3), noise(n, seed=4)]).T, 48000, subtype="PCM_24")
    soundfile.write(tmp_path / "other.wav", noise(22050, seed=5), 44100, subtype="PCM_16")
    monkeypatch.chdir(tmp_path)

    class Session:
        folder = tmp_path
        root = ROOT

        @staticmethod
        def write(text, name="song"):
            path = tmp_path / f"{name}.recipe.toml"
            path.write_text(text)
            return Path(path.name)

    return Session()


@pytest.fixture
def demo(tmp_path):
    """A copy of the demo recipe, its presets and its stems."""
    return copy_of_demo(tmp_path)
