"""The engine's promises: time, length, bits, blocks, faders, deliveries."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from chainrun.audiofile.read import hash_content
from chainrun.delivery import RenderOptions, render
from chainrun.engine.node import run_chain
from chainrun.plan import build_plan
from chainrun.recipe import Overrides, open_recipe

UNITY = """[
  { do = "gain" }, { do = "delay", time_samples = 0 }, { do = "eq", bands = [ { kind = "bell", freq_hz = 1000, gain_db = 0 } ] },
  { do = "gate", threshold_db = -40, range_db = 0, lookahead_ms = 3.3 }, { do = "compressor", threshold_db = 0, ratio = 1, lookahead_ms = 2.1 },
  { do = "limiter", ceiling_dbfs = 0 },
  { do = "branches", branches = [ { chain = [ { do = "limiter", ceiling_dbfs = 0, lookahead_ms = 5 } ], level_db = -6.0206 }, { level_db = -6.0206 } ] },
  { do = "compressor", threshold_db = 0, ratio = 1, lookahead_ms = 7, mix_pct = 40 },
]"""


def render_main(path, out="out", **options):
    result = render(open_recipe(path), Path(out), RenderOptions(**options))
    x, rate = soundfile.read(result.deliveries[0].file, always_2d=True)
    return x.T, rate, result


def impulse_file(folder, at=5000, n=20000, channels=1, rate=48000):
    x = np.zeros((n, channels))
    x[at] = 0.5
    soundfile.write(folder / "impulse.wav", x, rate, subtype="FLOAT")


def test_an_impulse_comes_out_at_its_own_time_through_every_step(session):
    impulse_file(session.folder)
    path = session.write(
        f"""recipe = 1
[stems.a]
file = "impulse.wav"
to = "bus"
chain = {UNITY}
[buses.bus]
chain = {UNITY}
[main]
chain = {UNITY}
[[deliver]]
file = "mix.wav"
bits = 32
"""
    )
    x, _, _ = render_main(path)
    assert int(np.abs(x[0]).argmax()) == 5000
    assert x[:, 5000] == pytest.approx([0.5 * np.sqrt(0.5)] * 2, abs=1e-6)  # the centre of the -3 dB pan law
    x[:, 5000] = 0
    assert np.abs(x).max() < 1e-6


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("shift_samples = 7", 5007),
        ("shift_samples = -1200", 3800),
        ("shift_ms = 2.5", 5120),
        ("at_s = 0.5", 29000),
        ("from_s = 0.1", 200),
        ("from_s = 0.1\nat_s = 0.1", 5000),
    ],
)
def test_where_a_stem_lies(session, line, expected):
    impulse_file(session.folder)
    path = session.write(
        f'recipe = 1\n[stems.a]\nfile = "impulse.wav"\n{line}\n[[deliver]]\nfile = "mix.wav"\nbits = 32\n'
    )
    x, _, _ = render_main(path)
    assert int(np.abs(x[0]).argmax()) == expected


def test_a_shift_before_time_0_is_told(session):
    impulse_file(session.folder, at=10)
    path = session.write('recipe = 1\n[stems.a]\nfile = "impulse.wav"\nshift_samples = -100.5\n')
    _, _, result = render_main(path)
    assert any("before time 0" in warning for warning in result.warnings)


def test_a_fractional_shift_is_a_fractional_delay(session):
    t = np.arange(24000)
    soundfile.write(session.folder / "sine.wav", 0.5 * np.sin(2 * np.pi * 997 * t / 48000), 48000, subtype="FLOAT")
    path = session.write(
        'recipe = 1\n[stems.a]\nfile = "sine.wav"\nshift_samples = 3.25\n[[deliver]]\nfile = "mix.wav"\nbits = 32\n'
    )
    x, _, _ = render_main(path)
    expected = 0.5 * np.sqrt(0.5) * np.sin(2 * np.pi * 997 * (t - 3.25) / 48000)
    assert np.abs(x[0, 200:23000] - expected[200:23000]).max() < 1e-5


def test_trim_invert_pairs_and_channels(session):
    x = np.stack([np.full(4800, 0.1), np.full(4800, 0.2)]).T
    soundfile.write(session.folder / "two.wav", x, 48000, subtype="FLOAT")
    soundfile.write(session.folder / "one.wav", x[:, 0], 48000, subtype="FLOAT")
    path = session.write(
        """recipe = 1
[stems.pair]
file = ["one.wav", "one.wav"]
trim_db = [0.0, 20.0]
invert = [false, true]
[stems.side]
file = "two.wav"
channel = 2
pan_pct = 100
[[deliver]]
file = "mix.wav"
bits = 32
"""
    )
    y, _, _ = render_main(path)
    assert y[:, 100] == pytest.approx([0.1, -1.0 + 0.2], abs=1e-6)


def test_conversion_keeps_time_and_is_told(session):
    x = np.zeros(44100)
    x[22050] = 0.9
    soundfile.write(session.folder / "slow.wav", x, 44100, subtype="FLOAT")
    path = session.write(
        'recipe = 1\nrate_hz = 48000\n[stems.a]\nfile = "slow.wav"\n[[deliver]]\nfile = "mix.wav"\nbits = 32\n'
    )
    y, rate, result = render_main(path)
    assert (rate, y.shape[1], int(np.abs(y[0]).argmax())) == (48000, 48000, 24000)
    assert result.warnings == ["a: converted from 44100 to 48000 Hz"]


def test_the_most_common_rate_wins_and_ties_go_up(session):
    path = session.write('recipe = 1\n[stems.a]\nfile = "kick.wav"\n[stems.b]\nfile = "other.wav"\n')
    assert build_plan(open_recipe(path)).rate_hz == 48000


SESSION = """recipe = 1
[stems.kick]
file = "kick.wav"
to = "kit"
sends = { hall = -12 }
chain = [ { do = "gate", threshold_db = -30, lookahead_ms = 4 }, { do = "compressor", threshold_db = -24, key = { from = ["snare", "pair"] } } ]
[stems.snare]
file = "snare.wav"
to = "kit"
pan_pct = -40
shift_samples = 3.5
level_points_db = [[0.0, 0.0], [0.3, -6.0]]
chain = [ { do = "eq", bands = [ { kind = "low_cut", freq_hz = 80, slope_db_per_octave = 24 } ] }, { do = "gate", threshold_db = -30, key = { from = ["kick"], tap = "chain" } } ]
[stems.pair]
file = "pair.wav"
pan_pct = 30
active_s = [[0.1, 0.4]]
[stems.other]
file = "other.wav"
level_db = -6
[buses.kit]
chain = [ { do = "compressor", threshold_db = -20, mix_pct = 70, lookahead_ms = 1 } ]
[buses.hall]
chain = [ { do = "delay", time_ms = 20 }, { do = "eq", bands = [ { kind = "bell", freq_hz = 900, gain_db = -6 } ] } ]
[main]
chain = [ { do = "limiter", ceiling_dbfs = -3 } ]
[[deliver]]
file = "mix.wav"
target_lufs = -20
max_dbtp = -1
"""


def test_block_size_changes_no_sample_before_the_print(session):
    """1,000 / 4,096 / 65,536 / whole: within 1e-9, node by node, from the same prints."""
    plan = build_plan(open_recipe(session.write(SESSION)), hash_file=hash_content)
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
        path = session.write(SESSION.replace('"mix.wav"', f'"{name}"\nbits = {bits}'))
        files = [render(open_recipe(path), Path(out)).deliveries[0].file for out in ("one", "two")]
        one, two = (hashlib.sha256(Path(file).read_bytes()).hexdigest() for file in files)
        assert one == two


def test_a_node_hash_holds_what_determines_it(session):
    path = session.write(SESSION)

    def hashes(**more):
        plan = build_plan(open_recipe(path, Overrides(**more)), hash_file=hash_content, surroundings={"engine": "1"})
        return {node.name: node.identity for node in plan.nodes}

    before = hashes()
    assert hashes() == before
    fader = hashes(sets=["stems.other.level_db=-7"])
    assert {name for name in before if before[name] != fader[name]} == {"main"}, "a fader re-renders sums alone"
    note = hashes(sets=['stems.kick.note="new words"'])
    assert note == before
    chain = hashes(sets=["stems.kick.chain.0.range_db=20"])
    assert {n for n in before if before[n] != chain[n]} == {"kick", "snare", "kit", "hall", "main"}
    x, rate = soundfile.read("kick.wav")
    x[100] += 0.01
    soundfile.write("kick.wav", x, rate, subtype="FLOAT")
    changed = hashes()
    assert {n for n in before if before[n] != changed[n]} == {"kick", "snare", "kit", "hall", "main"}


def test_mute_only_and_keys(session):
    path = session.write(SESSION.replace('file = "kick.wav"', 'file = "kick.wav"\nmute = true'))
    plan = build_plan(open_recipe(path))
    assert "kick" in [node.name for node in plan.nodes], "a muted stem still serves as a key"
    assert [one.node for one in plan.node("kit").inputs] == ["snare"]
    only = build_plan(open_recipe(path), only=frozenset({"pair"}))
    assert [one.node for one in only.node("main").inputs] == ["pair", "kit", "hall"]


def test_two_stems_may_key_each_other_raw(session):
    path = session.write(
        """recipe = 1
[stems.kick]
file = "kick.wav"
chain = [ { do = "gate", threshold_db = -30, key = { from = ["snare"] } } ]
[stems.snare]
file = "snare.wav"
chain = [ { do = "gate", threshold_db = -30, key = { from = ["kick"], tap = "raw" } } ]
"""
    )
    assert render_main(path)[2].nodes


def test_a_tail_runs_out(session):
    impulse_file(session.folder, at=19999)
    path = session.write(
        """recipe = 1
[stems.a]
file = "impulse.wav"
chain = [ { do = "delay", time_ms = 100 } ]
[[deliver]]
file = "mix.wav"
bits = 32
"""
    )
    x, _, _ = render_main(path)
    assert int(np.abs(x[0]).argmax()) == 19999 + 4800
    short = path.read_text().replace("recipe = 1", "recipe = 1\ntail_max_s = 0.05")
    x, _, _ = render_main(session.write(short))
    assert x.shape[1] == 20000  # nothing sounds in what is left of the tail


def test_target_is_met_and_true_peak_holds(session):
    _, _, result = render_main(session.write(SESSION))
    measured = result.deliveries[0].measured
    assert measured.integrated_lufs == pytest.approx(-20, abs=0.02)
    assert measured.true_peak_dbtp <= -1
    assert not result.failures


def test_a_gain_that_lifts_blocks_over_the_absolute_gate_still_meets_the_target(session):
    rng = np.random.default_rng(0)
    quiet = np.concatenate(
        [10 ** (-69 / 20) * rng.standard_normal(480000), 10 ** (-75.5 / 20) * rng.standard_normal(480000)]
    )
    soundfile.write("quiet.wav", quiet, 48000, subtype="FLOAT")
    path = session.write(
        'recipe = 1\n[stems.a]\nfile = "quiet.wav"\n[[deliver]]\nfile = "mix.wav"\ntarget_lufs = -20\n'
    )
    _, _, result = render_main(path)
    assert result.deliveries[0].measured.integrated_lufs == pytest.approx(-20, abs=0.05)


def test_a_target_for_silence_fails(session, chainrun):
    path = session.write(
        'recipe = 1\n[stems.a]\nfile = "kick.wav"\nmute = true\n[[deliver]]\nfile = "mix.wav"\ntarget_lufs = -16\n'
    )
    ran = chainrun("render", path, "-o", "out")
    assert (ran.code, "cannot be met" in ran.err) == (1, True)


def test_a_delivery_never_lands_on_an_input(session, chainrun):
    before = Path("kick.wav").read_bytes()
    path = session.write(
        'recipe = 1\n[stems.kick]\nfile = "kick.wav"\n[[deliver]]\nfile = "{name}.wav"\nwhat = "stems.*"\n'
    )
    ran = chainrun("render", path, "-o", ".")
    assert (ran.code, "written over an input" in ran.err) == (3, True)
    assert Path("kick.wav").read_bytes() == before


def test_a_stem_far_into_the_session_costs_no_memory(session):
    import tracemalloc

    path = session.write('recipe = 1\n[stems.a]\nfile = "kick.wav"\nat_s = 300\n')
    tracemalloc.start()
    render_main(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    # The delivered file that the test itself reads back is 300 s of stereo float64: 230 MB of it.
    assert peak < 300 * 48000 * 2 * 8 + 80e6


def test_a_stem_that_lies_before_time_0_is_told(session):
    path = session.write(
        'recipe = 1\n[stems.a]\nfile = "kick.wav"\n[stems.b]\nfile = "kick.wav"\nshift_samples = -500000\n'
    )
    _, _, result = render_main(path)
    assert any(w.startswith("b: the shift pushed sound before time 0") for w in result.warnings)


def test_what_is_odd_about_a_file_is_told(session):
    soundfile.write("short.wav", np.zeros(4800) + 0.1, 48000)
    path = session.write(
        'recipe = 1\n[stems.a]\nfile = ["kick.wav", "short.wav"]\n[stems.b]\nfile = "kick.wav"\nto_s = 99\n'
    )
    _, _, result = render_main(path)
    told = [w.split(":")[0] for w in result.warnings if not w.startswith("caution")]
    assert told == ["a", "b"]


def test_a_target_out_of_reach_is_told_and_the_file_kept(session, chainrun):
    path = session.write(SESSION.replace("target_lufs = -20", "target_lufs = -3"))
    ran = chainrun("render", path, "-o", "out")
    assert ran.code == 1
    assert "LU short of the target -3 LUFS" in ran.err
    assert Path("out/mix.wav").exists()


def test_integers_never_clip_in_silence(session, chainrun):
    path = session.write('recipe = 1\n[stems.a]\nfile = "kick.wav"\ntrim_db = 30\n')
    ran = chainrun("render", path, "-o", "out")
    assert ran.code == 1
    assert "were clipped" in ran.err


def test_stems_and_buses_are_delivered(session, chainrun):
    path = session.write(SESSION + '[[deliver]]\nfile = "{recipe}-{name}.flac"\nwhat = "stems.*"\ntap = "fader"\n')
    assert chainrun("render", path, "-o", "out").code == 0
    names = {p.name for p in Path("out").iterdir()}
    assert names == {"mix.wav", *(f"song-{n}.flac" for n in ("kick", "snare", "pair", "other"))}


def test_clipped_input_is_told(session):
    soundfile.write("hot.wav", np.clip(np.sin(np.arange(4800) / 9) * 3, -1, 1), 48000, subtype="PCM_16")
    _, _, result = render_main(session.write('recipe = 1\n[stems.a]\nfile = "hot.wav"\nlevel_db = -6\n'))
    assert "clipped runs" in result.warnings[0]


def test_dither_makes_the_published_noise_floor(session):
    # Lipshitz, Wannamaker, Vanderkooy, JAES 40(5), 1992: TPDF error variance q^2/4; -93.32 dB re full-scale sine.
    soundfile.write("quiet.wav", np.full(96000, 1e-9), 48000, subtype="FLOAT")
    path = session.write('recipe = 1\n[stems.a]\nfile = "quiet.wav"\n[[deliver]]\nfile = "mix.wav"\nbits = 16\n')
    x, _, _ = render_main(path)
    assert 10 * np.log10(np.mean(x**2)) + 3.0103 == pytest.approx(-93.32, abs=0.1)


def test_a_work_folder_never_stays(session, chainrun):
    path = session.write(SESSION)
    chainrun("render", path, "-o", "out")
    assert sorted(p.name for p in Path("out").iterdir()) == ["mix.wav"]


def memory_of(folder, seconds):
    """Peak memory in MB of a render of two stems of this length, in a process of its own."""
    rng = np.random.default_rng(0)
    for name in ("a", "b"):
        with soundfile.SoundFile(str(folder / f"{name}.wav"), "w", 48000, 1, subtype="PCM_16") as file:
            for _ in range(seconds // 10):
                file.write(rng.standard_normal(480_000) * 0.05)
    recipe = folder / "long.recipe.toml"
    recipe.write_text(
        """recipe = 1
[stems.a]
file = "a.wav"
chain = [ { do = "gate", threshold_db = -40 }, { do = "compressor", threshold_db = -30 }, { do = "eq", bands = [ { kind = "bell", freq_hz = 300, gain_db = 3 } ] } ]
[stems.b]
file = "b.wav"
[main]
chain = [ { do = "limiter" } ]
"""
    )
    code = (
        "from chainrun.cli.app import main\n"
        f"code = main(['render', {str(recipe)!r}, '-o', {str(folder / 'out')!r}, '--quiet'])\n"
        # Not ru_maxrss: that one also counts what the process was before it became this program.
        "peak = next(line for line in open('/proc/self/status') if line.startswith('VmHWM'))\n"
        "print(code, int(peak.split()[1]) / 1024)\n"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert ran.returncode == 0, ran.stderr
    return float(ran.stdout.split()[-1])


def test_memory_does_not_grow_with_length(tmp_path):
    """2 minutes of two stems in under 300 MB, and 4 minutes in no more."""
    two = memory_of(tmp_path, 120)
    four = memory_of(tmp_path, 240)
    assert two < 300
    assert four < two + 10


def test_a_node_is_a_plain_description(session):
    import pickle

    plan = build_plan(open_recipe(session.write(SESSION)), hash_file=hash_content)
    for node in plan.nodes:
        assert pickle.loads(pickle.dumps(node)) == node
        assert replace(node) == node
