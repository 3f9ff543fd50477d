"""Rooms, responses, echoes, image, repair: against ISO 3382, image sources, closed forms and slow twins."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

import chainrun.processors  # noqa: F401
from chainrun.dsp.echo import EchoLoop
from tests.reference import loops
from tests.signals import ROOT, drums, in_pieces, noise
from tests.space.parts import RATE, impulse, run

# -- convolve and echo ---------------------------------------------------------------------------------------


def test_convolve_in_a_recipe(session, chainrun):
    rng = np.random.default_rng(0)
    response = rng.standard_normal((4000, 2)) * np.exp(-np.arange(4000) / 700)[:, None]
    soundfile.write("hall.wav", response, 48000, subtype="FLOAT")
    path = session.write(
        'recipe = 1\n[stems.a]\nfile = "kick.wav"\nchain = [ { do = "convolve", file = "hall.wav", normalise = "none" } ]\n'
        '[[deliver]]\nfile = "mix.wav"\nbits = 32\n'
    )
    assert chainrun("render", path, "-o", "out").code == 0
    y, _ = soundfile.read("out/mix.wav")
    x, _ = soundfile.read("kick.wav")
    expected = np.stack([np.convolve(x, response[:, side]) for side in (0, 1)]).T
    assert np.abs(y[:24000] - expected[:24000]).max() < 1e-4 * np.abs(expected).max()


def test_a_response_stays_found_from_a_preset_and_in_a_resolved_recipe(session, chainrun):
    (session.folder / ".chainrun-root").touch()
    for name in ("presets/rooms", "elsewhere"):
        (session.folder / name).mkdir(parents=True)
    soundfile.write("presets/rooms/hall.wav", noise(2000), 48000)
    (session.folder / "presets" / "rooms" / "hall.preset.toml").write_text(
        'preset = 1\nchain = [ { do = "convolve", file = "hall.wav", mix_pct = 20 } ]\n'
    )
    path = session.write('recipe = 1\n[stems.a]\nfile = "kick.wav"\nchain = [ { preset = "rooms/hall" } ]\n')
    first = chainrun("render", path, "-o", "out", "--json").json["deliveries"][0]["pcm_sha256"]
    assert chainrun("resolve", path, "-o", "elsewhere/flat.recipe.toml").code == 0
    found = chainrun("render", "elsewhere/flat.recipe.toml", "-o", "out", "--json").json
    assert found["deliveries"][0]["pcm_sha256"] == first


def test_the_responses_content_belongs_to_the_hash(session):
    from chainrun.audiofile.read import hash_content
    from chainrun.plan import build_plan
    from chainrun.recipe import open_recipe

    path = session.write(
        'recipe = 1\n[stems.a]\nfile = "kick.wav"\nchain = [ { do = "branches", branches = [ { chain = [ { do = "convolve", file = "hall.wav" } ] } ] } ]\n'
    )
    found = set()
    for seed in (1, 2):
        soundfile.write("hall.wav", noise(2000, seed=seed), 48000)
        found.add(build_plan(open_recipe(path), hash_file=hash_content).node("a").identity)
    assert len(found) == 2


@pytest.mark.parametrize(("write", "said"), [(None, "there is no such file"), (25.0, "the response is too long")])
def test_a_response_that_cannot_be_used(session, chainrun, write, said):
    if write:
        soundfile.write("hall.wav", np.zeros(int(48000 * write)) + 0.01, 48000)
    path = session.write(
        'recipe = 1\n[stems.a]\nfile = "kick.wav"\nchain = [ { do = "convolve", file = "hall.wav" } ]\n'
    )
    ran = chainrun("check", path)
    assert (ran.code, said in ran.err, ":4:" in ran.err) == (4, True, True), ran.err


def test_a_response_at_another_rate_keeps_its_level_and_is_told(session, chainrun):
    """A soft average of 20 ms: the same thing at every rate."""
    for rate in (24000, 48000, 96000):
        soundfile.write("hall.wav", np.hanning(rate // 50 + 1) * 100.0 / rate, rate, subtype="DOUBLE")
        path = session.write(
            'recipe = 1\n[stems.a]\nfile = "kick.wav"\nchain = [ { do = "convolve", file = "hall.wav", normalise = "none" } ]\n'
            '[[deliver]]\nfile = "mix.wav"\nbits = 32\n'
        )
        ran = chainrun("render", path, "-o", f"out{rate}", "--json")
        told = any(f"converted from {rate} to 48000 Hz" in note for note in ran.json["warnings"])
        assert told == (rate != 48000)
    mixes = {rate: soundfile.read(f"out{rate}/mix.wav")[0][:24000] for rate in (24000, 48000, 96000)}
    for rate in (24000, 96000):
        assert np.abs(mixes[rate] - mixes[48000]).max() < 0.02 * np.abs(mixes[48000]).max()


def test_a_bypassed_response_needs_no_file_and_a_silent_one_is_told(session, chainrun):
    chain = (
        'recipe = 1\n[stems.a]\nfile = "kick.wav"\nchain = [ { do = "convolve", file = "hall.wav", bypass = %s } ]\n'
    )
    path = session.write(chain % "true")
    assert chainrun("check", path).code == 0
    assert chainrun("render", path, "-o", "out").code == 0
    soundfile.write("hall.wav", np.zeros(1000), 48000)
    path = session.write(chain % "false")
    ran = chainrun("render", path, "-o", "out")
    assert (ran.code, "the response is silent" in ran.err) == (4, True)
    bad = np.full(1000, 0.1)
    bad[500] = np.nan
    soundfile.write("hall.wav", bad, 48000, subtype="FLOAT")
    ran = chainrun("render", path, "-o", "out")
    assert (ran.code, "frame 500" in ran.err, "hall.wav" in ran.err) == (4, True, True)


def test_the_demos_rooms():
    """Close microphones stand in narrow rooms, the overheads in a wide one, and the fiddle's room keeps its side."""
    import tomllib

    def room(name):
        chain = tomllib.loads((ROOT / f"recipes/presets/{name}.preset.toml").read_text())["chain"]
        return next(step for step in chain if step["do"] == "room")

    def wet(name, x):
        numbers = {key: value for key, value in room(name).items() if key not in ("mix_pct", "name")}
        return run(x, **numbers)

    recipe = (ROOT / "recipes/tithe-barn.recipe.toml").read_text()
    narrow = [np.corrcoef(wet(name, noise(RATE)[None]))[0, 1] for name in ("snare/small-room", "toms/small-room")]
    wide = np.corrcoef(wet("overheads/wide-room", np.stack([noise(RATE), noise(RATE)])))[0, 1]
    assert min(narrow) > 0.5 > 0.2 > wide
    for name in ("snare/small-room", "toms/small-room", "overheads/wide-room", "fiddle/in-its-corner"):
        assert f'preset = "{name}"' in recipe
    chain = tomllib.loads((ROOT / "recipes/presets/fiddle/in-its-corner.preset.toml").read_text())["chain"]
    assert [step["do"] for step in chain].index("pan") < [step["do"] for step in chain].index("room")
    y = wet("fiddle/in-its-corner", run(noise(RATE)[None], do="pan", pan_pct=-60))
    assert 20 * np.log10(np.std(y[0]) / np.std(y[1])) > 1


@pytest.mark.parametrize("fraction", [0.0, 0.37])
@pytest.mark.parametrize("cross", [False, True])
def test_echo_against_its_twin(fraction, cross):
    """One frame after the other, with the same interpolator and filter."""
    from chainrun.dsp.biquad import butterworth
    from chainrun.dsp.fractional_delay import HALF_TAPS, sinc_taps

    delay, feedback = 300 + fraction, 0.6
    sections = butterworth(2, 4000, RATE, high=False)
    x = np.stack([drums(3000), noise(3000)])
    kernel, parts = EchoLoop(delay, feedback, 2, sections=sections, cross=cross), []
    for piece in in_pieces(x, [1000, 1, 77]):
        parts.append(kernel.run(piece))
    found = np.concatenate(parts, axis=1)
    expected = loops.echo(x, 300, sinc_taps(fraction), HALF_TAPS, feedback, sections[0], cross)
    assert np.abs(found - expected).max() < 1e-9


def test_echo_times_and_sides():
    y = run(impulse(RATE), tempo=120.0, do="echo", time_beats=0.25, feedback_pct=50)
    peaks = np.flatnonzero(np.abs(y[0]) > 0.1)
    assert peaks.tolist() == [6000, 12000, 18000, 24000]  # an eighth of a second at 120 beats/min
    assert y[0, peaks] == pytest.approx([1, 0.5, 0.25, 0.125])
    y = run(impulse(RATE), do="echo", time_ms=100, feedback_pct=50, ping_pong=True)
    assert [int(np.abs(side).argmax()) for side in y] == [4800, 9600]


# -- image -------------------------------------------------------------------------------------------------


def test_mono_below_keeps_the_mono_sum_and_the_highs():
    x = np.stack([noise(RATE, seed=1), noise(RATE, seed=2)])
    y = run(x, do="width", mono_below_hz=200)
    window = np.hanning(RATE)

    def level(signal_, low, high):
        return 10 * np.log10(np.sum(np.abs(np.fft.rfft(signal_ * window)[low:high]) ** 2))

    for low, high in ((30, 100), (100, 400), (1000, 5000)):
        assert level(y[0] + y[1], low, high) == pytest.approx(level(x[0] + x[1], low, high), abs=0.1)
    assert level(y[0] - y[1], 20, 100) < level(x[0] - x[1], 20, 100) - 20
    assert level(y[0] - y[1], 1000, 5000) == pytest.approx(level(x[0] - x[1], 1000, 5000), abs=0.05)


def test_pan_step_and_balance():
    x = np.ones((1, 10))
    # Roads, The Computer Music Tutorial, 1996 (from memory): constant power at p = 0.25: -0.688 and -8.343 dB.
    assert 20 * np.log10(run(x, do="pan", pan_pct=-50)[:, 0]) == pytest.approx([-0.688, -8.343], abs=1e-3)
    stereo = np.stack([np.full(10, 0.5), np.full(10, 0.25)])
    assert run(stereo, do="balance", swap=True)[:, 0] == pytest.approx([0.25, 0.5])
    assert run(stereo, do="balance", balance_pct=-100)[:, 0] == pytest.approx([0.5, 0.0])
