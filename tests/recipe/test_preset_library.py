"""The presets that come with the program are where their names say."""

from __future__ import annotations

from pathlib import Path


def test_files_are_where_their_names_say():
    assert not Path("recipes/presets/kick/above-shell.preset.toml").exists()
