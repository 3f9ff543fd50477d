"""Rooms, responses, echoes, image, repair: against ISO 3382, image sources, closed forms and slow twins."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from pydantic import TypeAdapter, ValidationError
from scipy import signal

import chainrun.processors  # noqa: F401
from chainrun.contract import Stream, any_step
from chainrun.dsp.declip import interpolate
from chainrun.dsp.echo import EchoLoop
from chainrun.dsp.eyring import decay_of
from chainrun.dsp.room import Box, early, images, wall_filter
from chainrun.dsp.room_tail import OCTAVES_HZ
from tests.reference import loops
from tests.signals import demo_maker, drums, in_pieces, noise, sine

RATE = 48000
STEP = TypeAdapter(any_step())
ROOT = Path(__file__).parent.parent


def run(x, rate=RATE, tempo=None, **numbers):
    runner = STEP.validate_python(numbers).start(Stream(rate, x.shape[0], tempo_bpm=tempo))
    late = runner.latency_frames
    return runner.run(np.concatenate([x, np.zeros((x.shape[0], late))], axis=1), {})[:, late:]


def impulse(n, channels=1):
    x = np.zeros((channels, n))
    x[:, 0] = 1.0
    return x


# -- room --------------------------------------------------------------------------------------------------


def decay_times(response, freq_hz, rate=RATE):
    """T20 and T30 of an octave band by Schroeder's backward integration (ISO 3382-1: fits from -5 to -25, -35 dB)."""
    band = signal.butter(
        4, [freq_hz / np.sqrt(2), min(freq_hz * np.sqrt(2), 0.45 * rate)], "bandpass", fs=rate, output="sos"
    )
    # Backwards in time, so that the filter's own ringing does not lengthen the decay.
    filtered = signal.sosfilt(band, response[::-1])[::-1]
    energy = np.cumsum(filtered[::-1] ** 2)[::-1]
    level = 10 * np.log10(energy / energy[0] + 1e-30)
    t = np.arange(level.size) / rate
    found = []
    for low in (-25, -35):
        part = (level <= -5) & (level >= low)
        slope = np.polyfit(t[part], level[part], 1)[0]
        found.append(-60 / slope)
    return found


ROOMS = [
    {},
    {"width_m": 3, "depth_m": 3, "height_m": 2.4, "spread_pct": 40},
    {"width_m": 10, "depth_m": 8, "height_m": 4},
]


@pytest.mark.parametrize("room", range(3))
@pytest.mark.parametrize("decay", [0.2, 0.3, 0.5, 1.0, 3.0])
def test_decay_is_what_was_asked_in_every_octave(decay, room):
    """Every single room, left and right: nothing is averaged."""
    # ISO 3382-1:2009 A.2.2; just noticeable difference 5 % (Table A.1).
    for seed in (1, 2):
        step = STEP.validate_python({"do": "room", "decay_s": decay, "seed": seed, **ROOMS[room]})
        for response in step.responses(RATE, 1)[0]:
            for freq in OCTAVES_HZ:
                assert decay_times(response, freq) == pytest.approx([decay, decay], rel=0.05), (seed, freq)


def test_decay_of_a_stereo_source_and_at_other_rates():
    for rate, channels in ((44100, 2), (96000, 1)):
        for one in STEP.validate_python({"do": "room", "decay_s": 0.4}).responses(rate, channels):
            for response in one:
                for freq in OCTAVES_HZ:
                    assert decay_times(response, freq, rate) == pytest.approx([0.4, 0.4], rel=0.05), (rate, freq)


def test_a_decay_for_each_octave():
    wanted = [0.8, 0.8, 0.7, 0.6, 0.5, 0.4, 0.35, 0.3]
    step = STEP.validate_python({"do": "room", "decay_s": wanted, "width_m": 7, "depth_m": 6, "height_m": 3.5})
    for response in step.responses(RATE, 1)[0]:
        for freq, decay in zip(OCTAVES_HZ, wanted, strict=True):
            assert decay_times(response, freq) == pytest.approx([decay, decay], rel=0.05), freq


def test_the_tail_runs_to_90_db_and_ends_softly():
    response = STEP.validate_python({"do": "room", "decay_s": 0.5}).responses(RATE, 1)[0][0]
    assert response.size >= 1.5 * 0.5 * RATE
    level = 20 * np.log10(np.std(response[-480:]) / np.abs(response).max())
    assert level < -85


def test_walls_take_what_their_octaves_say():
    """Reflections of walls that swallow the highs: the first one's spectrum is the walls' factor, octave by octave."""
    absorption = (0.1, 0.1, 0.1, 0.2, 0.3, 0.5, 0.7, 0.8)
    size = (5.0, 4.0, 3.0)
    box = Box(size, tuple(decay_of(a, size) for a in absorption))
    response = wall_filter(np.sqrt(1 - box.absorption()), RATE)
    for freq, a in zip(OCTAVES_HZ[2:], absorption[2:], strict=True):
        gain = abs(np.exp(-2j * np.pi * freq * np.arange(response.size) / RATE) @ response)
        assert 20 * np.log10(gain) == pytest.approx(10 * np.log10(1 - a), abs=0.15), freq
    assert int(np.abs(response).argmax()) == 0  # minimum phase: nothing comes before the reflection
    reflections = early(box, (1, 1, 1), (4, 3, 2), RATE, 3.7417)
    assert np.abs(reflections[: int((4.6904 - 3.7417) / 343.2 * RATE) - 40]).max() < 1e-3


def test_eyring_and_sabine():
    # Kuttruff, Room Acoustics, at c = 343: 10 x 8 x 3 m, absorption .1 / .3 / .5: Eyring 1.3694 0.4045 0.2082 s.
    for absorption, expected in ((0.1, 1.3694), (0.3, 0.4045), (0.5, 0.2082)):
        assert decay_of(absorption, (10, 8, 3)) == pytest.approx(expected, rel=1e-3)
    assert Box((10, 8, 3), (1.3694,) * 8).absorption() == pytest.approx(np.full(8, 0.1), rel=2e-3)


def test_first_reflections_of_the_published_example():
    # Allen and Berkley, JASA 65(4), 1979: room 5 x 4 x 3 m, source (1,1,1), microphone (4,3,2), evaluated at c = 343:
    # direct 3.7417 m; images at 4.6904, 5.0990 and 5.4772 m, -1.963, -2.688 and -3.310 dB (times beta).
    size, source, microphone = (5.0, 4.0, 3.0), (1.0, 1.0, 1.0), (4.0, 3.0, 2.0)
    distances = sorted(
        {round(float(np.linalg.norm(np.subtract(place, microphone))), 4) for place, _ in images(source, size)}
    )
    assert distances[0] == 3.7417
    for expected in (4.6904, 5.0990, 5.4772):
        assert expected in distances
    box = Box(size, (decay_of(0.19, size),) * 8)  # absorption 0.19: beta = 0.9
    response = early(box, source, microphone, RATE, 3.7417)
    # The same reflections as complex phases: levels and times together, compared over 100 Hz to 15 kHz.
    freqs = np.linspace(100, 15000, 300)
    expected = np.zeros(freqs.size, dtype=complex)
    for place, count in images(source, size):
        if count:
            d = float(np.linalg.norm(np.subtract(place, microphone)))
            expected += 0.9**count * 3.7417 / d * np.exp(-2j * np.pi * freqs * (d - 3.7417) / 343.2)
    found = np.exp(-2j * np.pi * np.outer(freqs, np.arange(response.size)) / RATE) @ response
    assert np.abs(found - expected).max() < 0.01 * np.abs(expected).max()
    for d, level in ((4.6904, -1.963), (5.0990, -2.688), (5.4772, -3.310)):
        assert 20 * np.log10(3.7417 / d) == pytest.approx(level, abs=1e-3)


def test_width_of_the_room():
    x = noise(RATE)[None]
    correlations = []
    for spread in (0, 50, 100, 200):
        y = run(x, do="room", decay_s=0.4, spread_pct=spread)
        correlations.append(np.corrcoef(y)[0, 1])
        if spread == 0:
            assert np.abs(y[0] - y[1]).max() < 1e-12, "no width is mono"
    assert correlations[0] > correlations[1] > correlations[2] > correlations[3]


def test_a_room_keeps_its_sources_side():
    x = np.stack([noise(RATE, 0.2), np.zeros(RATE)])
    for seed in (1, 2, 3):
        y = run(x, do="room", decay_s=0.5, seed=seed)
        other = run(x[::-1].copy(), do="room", decay_s=0.5, seed=seed)
        assert 20 * np.log10(np.std(y[0]) / np.std(y[1])) > 2
        assert 20 * np.log10(np.std(other[1]) / np.std(other[0])) > 2


def test_a_step_that_is_started_twice_is_the_same():
    step = STEP.validate_python({"do": "room", "decay_s": [0.5] * 8, "damping_pct": 60})
    assert np.array_equal(step.responses(RATE, 1)[0], step.responses(RATE, 1)[0])
    assert step.decay_s == [0.5] * 8


def test_the_room_is_the_same_every_time_and_another_with_another_seed():
    x = impulse(4800)
    one, two = (run(x, do="room", decay_s=0.2, seed=5) for _ in range(2))
    assert np.array_equal(one, two)
    assert not np.array_equal(one, run(x, do="room", decay_s=0.2, seed=6))


def test_nothing_of_the_room_comes_before_its_predelay():
    y = run(impulse(9600), do="room", decay_s=0.3, predelay_ms=40)
    assert np.abs(y[:, : int(0.040 * RATE) - 1]).max() < 1e-9
    assert np.abs(y).max() > 1e-3


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


# -- repair ------------------------------------------------------------------------------------------------


def gain_of_mending(clean, clipped, mended, mask):
    """By how many dB the energy of the error falls where it was clipped."""
    before, after = np.sum((clipped - clean)[mask] ** 2), np.sum((mended - clean)[mask] ** 2)
    return 10 * np.log10(before / max(after, 1e-30))


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
@pytest.mark.parametrize("over_db", [0.5, 1, 2, 3, 4, 5, 6])
def test_declip_a_sine(rate, over_db):
    """Every frequency whose clipped runs last up to 1 ms: the error falls by far more than the 10 dB demanded."""
    longest = np.arccos(10 ** (-over_db / 20)) / np.pi
    for freq, phase in ((70, 0.1), (150, 2.0), (330, 0.3), (440, 0.0), (500, 1.7), (880, 0.3), (1500, 2.6)):
        if longest / freq > 0.00098:
            continue
        clean = 10 ** (over_db / 20) * np.sin(2 * np.pi * freq * np.arange(rate // 4) / rate + phase)
        clipped = np.clip(clean, -1, 1)
        y = run(clipped[None], rate, do="declip", threshold_dbfs=0, most_db=6.5)[0]
        mask = np.abs(clean) > 1
        edges = np.flatnonzero(np.diff(mask.astype(int))) + 1
        whole = mask.copy()
        whole[: edges[0] if mask[0] else 0] = False  # a run that the file cuts is left alone
        whole[edges[-1] if mask[-1] else mask.size :] = False
        assert gain_of_mending(clean, clipped, y, whole) >= 20, freq
        assert np.array_equal(y[~whole], clipped[~whole])


@pytest.mark.parametrize(
    ("rate", "freq", "over", "level"),
    [(48000, 110, 1.02, 0.5), (48000, 220, 1.02, 0.1), (96000, 220, 1.1, 1.0), (48000, 200, 1.1, 1.0)],
)
def test_declip_wins_at_every_phase_over_the_whole_file(rate, freq, over, level):
    """The file's edges cut the clipped runs anywhere; what is cut is left alone, and counts here."""
    for phase in np.arange(0, 6.28, 0.7):
        clean = level * over * np.sin(2 * np.pi * freq * np.arange(rate) / rate + phase)
        clipped = np.clip(clean, -level, level)
        y = run(clipped[None], rate, do="declip", threshold_dbfs=float(20 * np.log10(level) - 0.001))[0]
        assert gain_of_mending(clean, clipped, y, np.ones(rate, dtype=bool)) >= 20, phase


def test_declip_the_demos_microphone():
    """The barn microphone of the demo, as it was before the converter clipped it."""
    clean = demo_maker().make_session().stems["barn"][1][0]
    clipped = soundfile.read(ROOT / "fixtures" / "tithe-barn" / "barn.flac")[0]
    y = run(clipped[None], do="declip", threshold_dbfs=-0.02, longest_ms=1.0)[0]
    full = np.abs(clipped) >= 10 ** (-0.02 / 20)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], full.astype(int), [0]])))
    short = np.zeros(full.size, dtype=bool)
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        if end - begin <= 0.001 * RATE:
            short[begin:end] = True
    # Three hits of the backbeat, whose peaks are the drum's own: all of them win 20 dB and more. Where a peak is the
    # noise of beater and hat nothing can foretell it (the model made from the clean signal wins 0 to 3 dB there, too):
    # all short runs together win 0.9 dB, and nothing gets worse.
    for at in (1.99, 5.45, 6.61):
        hit = short.copy()
        hit[: int((at - 0.02) * RATE)] = hit[int((at + 0.03) * RATE) :] = False
        assert hit.any()
        assert gain_of_mending(clean, clipped, y, hit) >= 20, at
    assert gain_of_mending(clean, clipped, y, short) > 0.5
    assert np.array_equal(y[~full], clipped[~full])


@pytest.mark.parametrize("over_db", [4, 6, 7])
def test_declip_never_shoots_up(over_db):
    """Heavily clipped tones cannot be restored; what comes out stays within most_db, and is no hazard."""
    clipped = np.clip(sine(440, 1, over_db), -1, 1)
    y = run(clipped[None], do="declip", longest_ms=4, most_db=6)[0]
    assert np.abs(y).max() <= 2.0


def test_interpolation_restores_what_an_autoregressive_process_lost():
    rng = np.random.default_rng(0)
    x = signal.lfilter([1], [1, -1.99 * np.cos(0.2), 0.99], rng.standard_normal(2000))
    missing = np.zeros(2000, dtype=bool)
    missing[1000:1010] = True
    damaged = np.where(missing, np.sign(x) * 1e-9, x)  # the signs are known, as they are of a clipped run
    assert np.sum((interpolate(damaged, missing, np.inf) - x)[missing] ** 2) < 0.1 * np.sum(x[missing] ** 2)


def line_db(x, freq_hz):
    """Level of a steady wave over the whole of x, in dB."""
    return 20 * np.log10(np.abs(np.mean(x * np.exp(-2j * np.pi * freq_hz / RATE * np.arange(x.size)))) + 1e-15)


@pytest.mark.parametrize("mains_hz", [50, 60])
def test_hum_goes_from_the_first_frame_and_the_rest_stays(mains_hz):
    """Over the whole file, 6 s: nothing is left out while the notches settle."""
    music = noise(6 * RATE, 0.05)
    hum = sum(sine(mains_hz * k, 6, -30 - 6 * k) for k in (1, 2, 3))
    for x in (hum, music + hum):
        y = run(x[None], do="hum", mains_hz=mains_hz, harmonics=3)[0]
        for k in (1, 2, 3):
            assert line_db(x, mains_hz * k) - line_db(y, mains_hz * k) >= 30, k
    left = run(hum[None], do="hum", mains_hz=mains_hz, harmonics=3)[0]
    assert np.std(left[: RATE // 4]) < 1e-4 * np.std(hum)
    y = run(music[None], do="hum", mains_hz=mains_hz, harmonics=3)[0]
    for begin in (0, 3 * RATE):
        part = slice(begin, begin + 3 * RATE)
        assert 20 * np.log10(np.std(y[part]) / np.std(music[part])) == pytest.approx(0, abs=0.5)


def test_a_hit_in_the_first_seconds_is_no_hum():
    """A low drum near the mains frequency: the notches start at rest, and add nothing before it."""
    x = np.zeros(3 * RATE)
    for at in (0.6, 1.3, 2.2):
        t = np.arange(RATE // 3) / RATE
        x[int(at * RATE) :][: t.size] += 0.6 * np.exp(-t / 0.08) * np.sin(2 * np.pi * 55 * t)
    y = run(x[None], do="hum", mains_hz=50, harmonics=3)[0]
    assert np.abs(y[: int(0.6 * RATE)]).max() == 0
    assert 20 * np.log10(np.std(y) / np.std(x)) == pytest.approx(0, abs=0.5)


@pytest.mark.parametrize(
    "room",
    [
        {"width_m": 30, "depth_m": 3, "height_m": 4},
        {"width_m": 30, "depth_m": 3, "height_m": 4, "distance_m": 0.5, "seed": 59},
        {"width_m": 30, "depth_m": 30, "height_m": 10},
        {"width_m": 60, "depth_m": 60, "height_m": 30},
        {"width_m": 1, "depth_m": 1, "height_m": 1},
    ],
)
@pytest.mark.parametrize("decay", [0.2, 0.5])
def test_decay_holds_in_long_large_and_tiny_rooms(room, decay):
    step = STEP.validate_python({"do": "room", "decay_s": decay, **room})
    for response in step.responses(RATE, 1)[0]:
        for freq in OCTAVES_HZ:
            assert decay_times(response, freq) == pytest.approx([decay, decay], rel=0.05), freq


def test_dc_block_and_fade():
    y = run(np.full((1, 2 * RATE), 0.3), do="dc_block")
    assert abs(y[0, -1]) < 1e-6
    y = run(np.ones((1, RATE)), do="fade", in_to_s=0.1, out_from_s=0.5, out_to_s=0.6)[0]
    assert (y[0], y[2400], y[4800]) == pytest.approx((0, 0.5, 1), abs=1e-9)
    assert (y[24000], y[26400], y[28800]) == pytest.approx((1, 0.5, 0), abs=1e-9)
    assert np.abs(np.diff(y)).max() < 4e-4


def test_a_fade_keeps_session_time_behind_latency(session):
    from chainrun.engine import render
    from chainrun.recipe import open_recipe

    soundfile.write("ones.wav", np.full(RATE, 0.5), RATE, subtype="FLOAT")
    path = session.write(
        'recipe = 1\n[stems.a]\nfile = "ones.wav"\nchain = [ { do = "limiter", ceiling_dbfs = 0, lookahead_ms = 10 }, { do = "fade", in_from_s = 0.2, in_to_s = 0.2 } ]\n'
        '[[deliver]]\nfile = "mix.wav"\nbits = 32\n'
    )
    y, _ = soundfile.read(render(open_recipe(path), Path("out")).deliveries[0].file)
    assert int(np.flatnonzero(y[:, 0])[0]) == 9600


@pytest.mark.parametrize(
    "numbers",
    [
        {"do": "room", "decay_s": 1e6},
        {"do": "room", "decay_s": [0.4] * 7 + [1e6]},
        {"do": "fade", "in_to_s": 2, "out_from_s": 1, "out_to_s": 3},
        {"do": "room", "width_m": 1e9},
        {"do": "room", "source_m": [1, 1, 9], "microphone_m": [1, 1, 1]},
        {"do": "room", "distance_m": 20},
        {"do": "room", "width_m": 60, "depth_m": 60, "height_m": 30, "absorption": 0.005},
        {"do": "width", "mono_below_hz": 200, "mix_pct": 50},
        {"do": "echo", "time_ms": 100, "feedback_pct": 100},
        {"do": "hum", "harmonics": 100000},
        {"do": "convolve", "file": "x.wav", "longest_s": 7200},
    ],
)
def test_impossible_rooms_are_refused(numbers):
    with pytest.raises(ValidationError):
        STEP.validate_python(numbers)


def test_beats_need_a_tempo(session, chainrun):
    path = session.write('recipe = 1\n[stems.a]\nfile = "kick.wav"\nchain = [ { do = "echo", time_beats = 1 } ]\n')
    ran = chainrun("check", path)
    assert (ran.code, "needs tempo_bpm" in ran.err) == (3, True)
