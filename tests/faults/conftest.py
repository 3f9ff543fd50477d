"""What the tests of this folder share: sessions, and how they are run."""

from __future__ import annotations

import shutil
import tempfile

import numpy as np
import pytest
import soundfile

from tests.faults.parts import PRESET, SONG
from tests.signals import drums, noise


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
    (folder / "song.recipe.toml").write_text(SONG)
    (folder / "LICENCE.txt").write_text("as you like\n")
    (folder / "night.jobs.toml").write_text('jobs = 1\nout = "night"\n[[job]]\nrecipes = ["song.recipe.toml"]\n')
    (folder / "old.cull.toml").write_text(
        'cull = 1\nyear = 2026\npresets_dirs = ["presets"]\nrecipes = ["*.recipe.toml"]\n'
        '[[preset]]\nname = "kick/close"\ndecision = "replace"\nby = "kick/old"\n'
    )
    (tmp_path / "temporary").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "temporary"))
    monkeypatch.chdir(folder)
    return folder
