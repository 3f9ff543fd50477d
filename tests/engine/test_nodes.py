"""Nodes become prints: the same bytes again, whatever the block, in bounded memory."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import soundfile

from chainrun.audiofile.read import hash_content
from chainrun.engine.node import run_chain
from chainrun.plan import build_plan
from chainrun.recipe import open_recipe
from tests import program
from tests.songs import WHOLE, render_main, render_opened


def test_block_size_changes_no_sample_before_the_print(session):
    """1,000 / 4,096 / 65,536 / whole: within 1e-9, node by node, from the same prints."""
    plan = build_plan(open_recipe(session.write(WHOLE)), hash_file=hash_content)
    from chainrun.engine.node import render_node

    prints = {}
    for node in plan.nodes:
        prints[node.name], _ = render_node(node, prints, session.folder / f"{node.name}.f32")
        outs = {}
        for size in (1000, 4096, 65536, 10_000_000):
            parts = []
            run_chain(node, prints, parts.append, block_frames=size)
            outs[size] = np.concatenate(parts, axis=1)
        for size in (1000, 4096, 65536):
            assert np.abs(outs[size] - outs[10_000_000]).max() <= 1e-9, (node.name, size)


def test_the_same_command_twice_gives_the_same_bytes(session):
    for bits, name in ((24, "mix.wav"), (16, "mix.flac"), (32, "mix.wav")):
        path = session.write(WHOLE.replace('"mix.wav"', f'"{name}"\nbits = {bits}'))
        files = [render_opened(open_recipe(path), Path(out)).deliveries[0].file for out in ("one", "two")]
        one, two = (hashlib.sha256(Path(file).read_bytes()).hexdigest() for file in files)
        assert one == two


def test_two_stems_may_key_each_other_before_their_chains(session):
    path = session.write(
        """grammar = 1
[stems.kick]
file = "kick.wav"
chain = [ { do = "gate", threshold_dbfs = -30, key = { from = ["snare"] } } ]
[stems.snare]
file = "snare.wav"
chain = [ { do = "gate", threshold_dbfs = -30, key = { from = ["kick"], tap = "before_chain" } } ]
"""
    )
    assert render_main(path)[2].nodes


def test_a_stem_far_into_the_session_costs_no_memory(session):
    import tracemalloc

    path = session.write('grammar = 1\n[stems.a]\nfile = "kick.wav"\nat_s = 300\n')
    tracemalloc.start()
    render_main(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    # The delivered file that the test itself reads back is 300 s of stereo float64: 230 MB of it.
    assert peak < 300 * 48000 * 2 * 8 + 80e6


def memory_of(folder, seconds):
    """Peak memory in MB of a render of two stems of this length, in a process of its own."""
    rng = np.random.default_rng(0)
    for name in ("a", "b"):
        with soundfile.SoundFile(str(folder / f"{name}.wav"), "w", 48000, 1, subtype="PCM_16") as file:
            for _ in range(seconds // 10):
                file.write(rng.standard_normal(480_000) * 0.05)
    recipe = folder / "long.recipe.toml"
    recipe.write_text(
        """grammar = 1
[stems.a]
file = "a.wav"
chain = [ { do = "gate", threshold_dbfs = -40 }, { do = "compressor", threshold_dbfs = -30 }, { do = "eq", bands = [ { kind = "bell", freq_hz = 300, gain_db = 3 } ] } ]
[stems.b]
file = "b.wav"
[main]
chain = [ { do = "limiter" } ]
"""
    )
    code = (
        "from chainrun.cli.app import main\n"
        f"code = main(['render', {str(recipe)!r}, '-o', {str(folder / 'out')!r}, '--quiet'])\n"
        # Not ru_maxrss, which also counts the process before it became this program.
        "peak = next(line for line in open('/proc/self/status') if line.startswith('VmHWM'))\n"
        "print(code, int(peak.split()[1]) / 1024)\n"
    )
    ran = program.run_code(code)
    assert ran.code == 0, ran.err
    return float(ran.out.split()[-1])


def test_memory_does_not_grow_with_length(tmp_path):
    """2 minutes of two stems in under 300 MB, and 4 minutes in no more."""
    two = memory_of(tmp_path, 120)
    four = memory_of(tmp_path, 240)
    assert two < 300
    assert four < two + 10
