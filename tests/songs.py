"""Recipes that tests of several folders render, and ways to render and read them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile

from chainrun.audiofile import BLOCK_FRAMES
from chainrun.delivery import RenderOptions, render
from chainrun.plan import build_plan
from chainrun.recipe import open_recipe
from chainrun.store import hasher
from tests.signals import noise

WHOLE = """grammar = 1
[stems.kick]
file = "kick.wav"
to = "kit"
sends = { hall = { level_db = -12 } }
chain = [ { do = "gate", threshold_dbfs = -30, lookahead_ms = 4 }, { do = "compressor", threshold_dbfs = -24, key = { from = ["snare", "pair"] } } ]
[stems.snare]
file = "snare.wav"
to = "kit"
pan_pct = -40
shift_samples = 3.5
ride = [{ at_s = 0.0, gain_db = 0.0 }, { at_s = 0.3, gain_db = -6.0 }]
chain = [ { do = "eq", bands = [ { kind = "low_cut", freq_hz = 80, slope_db_per_octave = 24 } ] }, { do = "gate", threshold_dbfs = -30, key = { from = ["kick"], tap = "chain" } } ]
[stems.pair]
file = "pair.wav"
pan_pct = 30
active = [{ from_s = 0.1, to_s = 0.4 }]
[stems.other]
file = "other.wav"
level_db = -6
[buses.kit]
chain = [ { do = "compressor", threshold_dbfs = -20, mix_pct = 70, lookahead_ms = 1 } ]
[buses.hall]
chain = [ { do = "delay", time_ms = 20 }, { do = "eq", bands = [ { kind = "bell", freq_hz = 900, gain_db = -6 } ] } ]
[main]
chain = [ { do = "limiter", ceiling_dbfs = -3 } ]
[[deliver]]
file = "mix.wav"
target_lufs = -20
max_dbtp = -1
"""
"""Keys, sends, rides, stretches, conversion, a limiter and a target, over the stems of `session`."""
KIT = """grammar = 1
[stems.kick]
file = "kick.wav"
to = "kit"
chain = [ { do = "compressor", threshold_dbfs = -20, name = "squash" } ]
[stems.snare]
file = "snare.wav"
to = "kit"
level_db = -2
sends = { hall = { level_db = -12 } }
chain = [ { do = "gate", threshold_dbfs = -30, key = { from = ["kick"], tap = "before_chain" } } ]
[stems.pair]
file = "pair.wav"
[buses.kit]
chain = [ { do = "compressor", threshold_dbfs = -18 } ]
[buses.hall]
chain = [ { do = "echo", time_ms = 70, feedback_pct = 30 } ]
[[deliver]]
file = "mix.wav"
target_lufs = -20
[[deliver]]
file = "stems/{name}.wav"
what = "stems.*"
"""
"""Six nodes over the stems of `session`, for tests of the store and of workers."""
DELIVERED = """grammar = 1
presets_dirs = ["presets"]
[stems.kick]
file = "kick.wav"
hit_level_dbfs = -6
to = "kit"
chain = [ { preset = "kick/close" }, { do = "gate", threshold_dbfs = -40 } ]
[stems.pair]
file = "pair.wav"
[buses.kit]
chain = [ { do = "compressor", threshold_dbfs = -30 } ]
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
"""Every format, a preset, a sidecar and a target, over the stems of `place`."""
DRAWN = """grammar = 1
title = "A song"
note = "How it was done."
[stems.kick]
file = "kick.wav"
to = "kit"
note = "The one at the shell."
chain = [
  { do = "gate", name = "door", threshold_dbfs = -30, range_db = 40, note = "keeps the bleed out" },
  { do = "eq", name = "tone", bands = [ { kind = "bell", freq_hz = 1000, gain_db = 6 }, { kind = "low_cut", freq_hz = 60 } ] },
  { do = "saturate", name = "bite", drive_db = 12 },
]
[stems.pair]
file = "pair.wav"
level_db = -9
sends = { hall = { level_db = -12 } }
[stems.under]
file = "snare.wav"
to = "kit"
chain = [ { do = "compressor", name = "held", threshold_dbfs = -30, ratio = 4, key = { from = ["kick"] } } ]
[buses.kit]
chain = [ { do = "compressor", name = "glue", threshold_dbfs = -20, ratio = 3 } ]
[buses.hall]
chain = [ { do = "delay", time_ms = 20 } ]
[[deliver]]
file = "mix.wav"
target_lufs = -20
[variants.dry]
"stems.pair.level_db" = -30
"""
"""Every kind of picture and number that a page shows, over the stems of `session`."""
JUDGED = """grammar = 1
[stems.kick]
file = "kick.wav"
to = "kit"
chain = [ { do = "compressor", name = "squash", threshold_dbfs = -20, ratio = 4 } ]
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
sample_peak_dbfs = { max = -1 }
"stems.kick.chain.squash.gain_reduction_max_db" = { from = 1, to = 30 }
"""
"""Expectations and one delivery, over the stems of `session`."""
PRESET = 'grammar = 1\nsince = 2023\nchain = [ { do = "gain", gain_db = 1 } ]\n'


def render_opened(
    opened, out="out", *, store=None, only=(), from_s=None, to_s=None, block_frames=BLOCK_FRAMES, **options
):
    """Plans an opened recipe, or a part of it, and renders the plan; returns the result."""
    plan = build_plan(opened, only=only, from_s=from_s, to_s=to_s, hash_file=hasher(store), block_frames=block_frames)
    return render(plan, Path(out), RenderOptions(store=store, **options))


def render_main(path, out="out", **options):
    """Renders; returns the first delivery as (channels, frames), its rate, and the result."""
    result = render_opened(open_recipe(path), out, **options)
    x, rate = soundfile.read(result.deliveries[0].file, always_2d=True)
    return x.T, rate, result


def impulse_file(folder, at=5000, n=20000, channels=1, rate=48000):
    """Writes impulse.wav: silence except for one frame of 0.5."""
    x = np.zeros((n, channels))
    x[at] = 0.5
    soundfile.write(folder / "impulse.wav", x, rate, subtype="FLOAT")


def made(path, store, out="out", **options):
    """Renders; returns the result, and which nodes were not in the store."""
    result = render_opened(open_recipe(Path(path)), out, store=store, **options)
    return result, {node.name for node in result.nodes if not node.from_store}


def hashes(result):
    """The hash of the samples of each delivery."""
    return [one.pcm_sha256 for one in result.deliveries]


def long_session(session, seconds=60):
    """Writes a recipe of four stems of this length, each with three steps; returns its path."""
    soundfile.write("long.wav", noise(48000 * seconds, 0.02), 48000, subtype="PCM_16")
    stems = "".join(
        f'[stems.s{i}]\nfile = "long.wav"\ntrim_db = -{i}\nchain = [ {{ do = "eq", bands = [ {{ kind = "bell", freq_hz = {200 * (i + 1)}, gain_db = 3 }} ] }}, {{ do = "compressor", threshold_dbfs = -24 }}, {{ do = "saturate" }} ]\n'
        for i in range(4)
    )
    return session.write(f'grammar = 1\n{stems}[[deliver]]\nfile = "mix.wav"\n')
