"""A band with a library of five presets and the songs of three years."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from tests.cull.shelves import BELL, RATE, preset
from tests.signals import drums, noise


@pytest.fixture
def band(tmp_path, monkeypatch):
    """A library of five presets, and three songs that use them."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / ".chainrun-root").touch()
    library = tmp_path / "library"
    squash = {"do": "compressor", "threshold_dbfs": -24, "ratio": 3}
    preset(library, "kick/new", [BELL, squash], since=2023, suits=["kick"])
    preset(
        library,
        "kick/old",
        [{"do": "eq", "name": "eq", "bands": [{"kind": "bell", "freq_hz": 201, "gain_db": 2.95}]}, squash],
        since=2021,
    )
    preset(library, "snare/box", [{"do": "convolve", "file": "../ir/box.wav", "mix_pct": 40}], since=2021)
    preset(library, "snare/plain", [{"do": "gain", "gain_db": -1}], since=2022)
    preset(library, "nobody/uses-it", [{"do": "delay", "time_ms": 30}], since=2019)
    preset(library / "retired", "kick/gone", [{"do": "gain"}], since=2018, status="retired", retired_in=2024)
    preset(library, "both/in-one", [{"preset": "kick/old"}, {"do": "gain", "gain_db": 1}], since=2022)
    (library / "ir").mkdir()
    soundfile.write(library / "ir" / "box.wav", np.exp(-np.arange(2400) / 300) * noise(2400, 0.5), RATE)
    songs = tmp_path / "songs"
    songs.mkdir()
    soundfile.write(songs / "kick.wav", drums(RATE, seed=1) * 0.5, RATE, subtype="FLOAT")
    soundfile.write(songs / "snare.wav", drums(RATE, seed=2) * 0.5, RATE, subtype="FLOAT")
    for name, kick, more in (
        ("reel", "kick/old", ', name = "sound", set = { "eq.bands.0.gain_db" = 4.0 }'),
        ("jig", "kick/old", ""),
        ("polka", "kick/new", ""),
        ("waltz", "both/in-one", ""),
    ):
        (songs / f"{name}.recipe.toml").write_text(
            f'grammar = 1\npresets_dirs = ["../library"]\n[stems.kick]\nfile = "kick.wav"\nchain = [ {{ preset = "{kick}"{more} }} ]\n'
            '[stems.snare]\nfile = "snare.wav"\nchain = [ { preset = "snare/box" } ]\n[[deliver]]\nfile = "mix.wav"\nbits = 32\n'
        )
    return tmp_path
