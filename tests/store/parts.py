"""Helpers of the tests of this folder."""

from __future__ import annotations

from pathlib import Path

from chainrun.delivery import RenderOptions, render
from chainrun.recipe import open_recipe

RECIPE = """recipe = 1
[stems.kick]
file = "kick.wav"
to = "kit"
chain = [ { do = "compressor", threshold_db = -20, name = "squash" } ]
[stems.snare]
file = "snare.wav"
to = "kit"
level_db = -2
sends = { hall = -12 }
chain = [ { do = "gate", threshold_db = -30, key = { from = ["kick"], tap = "raw" } } ]
[stems.pair]
file = "pair.wav"
[buses.kit]
chain = [ { do = "compressor", threshold_db = -18 } ]
[buses.hall]
chain = [ { do = "room", decay_s = 0.3 } ]
[[deliver]]
file = "mix.wav"
target_lufs = -20
[[deliver]]
file = "stems/{name}.wav"
what = "stems.*"
"""


def made(path, store, out="out", **options):
    """Render; returns the result, and which nodes were not in the store."""
    result = render(open_recipe(Path(path)), Path(out), RenderOptions(store=store, **options))
    return result, {node.name for node in result.nodes if not node.from_store}


def hashes(result):
    return [one.pcm_sha256 for one in result.deliveries]
