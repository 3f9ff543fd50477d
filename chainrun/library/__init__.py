"""Preset libraries: what is in them, how alike their presets are, where they are used."""
