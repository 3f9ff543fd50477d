"""Rooms, responses, echoes, image, repair: against ISO 3382, image sources, closed forms and slow twins."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from pydantic import ValidationError
from scipy import signal

import chainrun.processors  # noqa: F401
from chainrun.dsp.declip import interpolate
from chainrun.dsp.room_decay import OCTAVES_HZ
from tests.signals import ROOT, demo_maker, noise, sine
from tests.space.parts import RATE, STEP, decay_times, run

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
    from chainrun.delivery import render
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
