"""Helpers of the tests of this folder."""

from __future__ import annotations

RATE = 48000
SONG = """recipe = 1
[stems.kick]
file = "kick.wav"
to = "kit"
chain = [ { do = "compressor", name = "squash", threshold_db = -20, ratio = 4 } ]
[stems.snare]
file = "snare.wav"
to = "kit"
chain = [ { do = "eq", bands = [ { kind = "bell", freq_hz = 900, gain_db = 3 } ] } ]
[buses.kit]
level_db = -6
[[deliver]]
file = "mix.wav"
bits = 24
[expect]
sample_peak_dbfs = { at_most = -1 }
"stems.kick.chain.squash.gain_reduction_max_db" = { from = 1, to = 30 }
"""
