"""Helpers of the tests of this folder."""

from __future__ import annotations

SONG = """recipe = 1
presets_dirs = ["presets"]
[stems.kick]
file = "kick.wav"
hit_level_dbfs = -6
to = "kit"
chain = [ { preset = "kick/close" }, { do = "gate", threshold_db = -40 } ]
[stems.pair]
file = "pair.wav"
[buses.kit]
chain = [ { do = "compressor", threshold_db = -30 } ]
[[deliver]]
file = "mix.wav"
sidecar = true
bext = true
target_lufs = -30
[[deliver]]
file = "mix.flac"
[[deliver]]
file = "mix.mp3"
"""
PRESET = 'preset = 1\nsince = 2023\nchain = [ { do = "gain", gain_db = 1 } ]\n'
