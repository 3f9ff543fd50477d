"""Fixtures of several folders: a store, the program, small sessions, a copy of the demo."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests import program
from tests.signals import ROOT, copy_of_demo, drums, noise
from tests.songs import DELIVERED, PRESET


@pytest.fixture(autouse=True)
def store(tmp_path_factory, monkeypatch):
    """A store of its own for every test, and no CI variable, since CI refuses to accept baselines."""
    folder = tmp_path_factory.mktemp("store")
    monkeypatch.delenv("CI", raising=False)
    monkeypatch.setenv("CHAINRUN_STORE", str(folder))
    return folder


@pytest.fixture
def chainrun():
    """Runs a command in this process: chainrun("render", path, …)."""
    return program.run


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
def place(tmp_path, monkeypatch):
    """A session, and a folder for temporary files of its own."""
    folder = tmp_path / "session"
    (folder / "presets" / "kick").mkdir(parents=True)
    (folder / "presets" / "kick" / "close.preset.toml").write_text(PRESET)
    (folder / "presets" / "kick" / "old.preset.toml").write_text(PRESET)
    n = 28800
    soundfile.write(folder / "kick.wav", drums(n, seed=1) * 0.5, 48000, subtype="PCM_24")
    soundfile.write(folder / "pair.wav", np.stack([noise(n, seed=2), noise(n, seed=3)]).T * 0.3, 48000, subtype="FLOAT")
    (folder / "takes").mkdir()
    for name in ("kick.wav", "pair.wav"):
        shutil.copy(folder / name, folder / "takes")
    (folder / "song.recipe.toml").write_text(DELIVERED)
    (folder / "LICENCE.txt").write_text("as you like\n")
    (folder / "night.jobs.toml").write_text('grammar = 1\nout = "night"\n[[job]]\nrecipes = ["song.recipe.toml"]\n')
    (folder / "old.cull.toml").write_text(
        'grammar = 1\nyear = 2026\npresets_dirs = ["presets"]\nrecipes = ["*.recipe.toml"]\n'
        '[[preset]]\nname = "kick/close"\ndecision = "replace"\nby = "kick/old"\n'
    )
    (tmp_path / "temporary").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "temporary"))
    monkeypatch.chdir(folder)
    return folder


@pytest.fixture
def demo(tmp_path):
    """A copy of the demo recipe, its presets and its stems."""
    return copy_of_demo(tmp_path)
