"""Preset libraries: their presets, which of them are alike, and where they are used."""
