"""The presets that come with the program lie where their names say."""

from __future__ import annotations

from pathlib import Path


def test_names_of_files_are_where_they_should_be():
    assert not Path("recipes/presets/kick/above-shell.preset.toml").exists()
