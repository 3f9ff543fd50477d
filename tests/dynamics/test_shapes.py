"""The rest of the dynamics: expander, hits, dynamic eq, split, true-peak limiter, the compressor's options."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError
from scipy import signal

import chainrun.processors  # noqa: F401
from chainrun.contract import Stream
from chainrun.dsp.ballistics import time_constant
from chainrun.dsp.crossover import band_sections
from tests.dynamics.parts import RATE, STEP, level_db, run
from tests.signals import ROOT, drums, hostile, in_pieces, noise, sine

# -- limiter -----------------------------------------------------------------------------------------------


def bursts(n):
    """Square bursts at random places, lengths and half-periods, up to 6 dB over full scale."""
    rng = np.random.default_rng(3)
    x = np.zeros(n)
    for _ in range(40):
        at, length, period = rng.integers(100, n - 600), rng.integers(3, 300), rng.integers(1, 9)
        x[at : at + length] = np.where((np.arange(length) // period) % 2, 1, -1) * rng.uniform(0.5, 2)
    return x


HOSTILE = {
    "square bursts": bursts(RATE),
    "fs/4 at 45 degrees": 1.4 * np.sin(np.pi / 2 * np.arange(RATE) + np.pi / 4),
    "fs/4 bursts": 1.4 * np.sin(np.pi / 2 * np.arange(RATE) + np.pi / 4) * ((np.arange(RATE) // 997) % 2),
    "clipped drums": np.clip(drums(RATE) * 8, -1, 1),
    "clipped noise": np.clip(noise(RATE, 0.8), -1, 1),
    "hot sine": sine(997, 1, 6),
}


@pytest.mark.parametrize("name", sorted(HOSTILE))
@pytest.mark.parametrize("ceiling", [-1.0, -6.0])
def test_true_peak_stays_under_the_ceiling(name, ceiling):
    """Never more than 0.1 dB over it, read at 16 times the rate by a general polyphase resampler (scipy)."""
    y, _ = run(HOSTILE[name][None], do="limiter", ceiling_dbtp=ceiling)
    padded = np.concatenate([np.zeros(200), y[0], np.zeros(200)])
    for window in (("kaiser", 5.0), ("kaiser", 9.0)):
        peak = 20 * np.log10(np.abs(signal.resample_poly(padded, 16, 1, window=window)).max())
        assert peak <= ceiling + 0.1, window


def test_the_limiter_leaves_alone_what_is_under_its_ceiling():
    x = noise(RATE, 0.02)[None]
    y, runner = run(x, do="limiter", ceiling_dbtp=-1)
    assert np.array_equal(y, x)
    assert runner.readings()[0].gain_reduction_max_db == 0


def test_the_limiters_gain_moves_no_faster_than_its_ramp():
    x = np.full(RATE, 0.1)
    x[24000] = 2.0
    y, _ = run(x[None], do="limiter", ceiling_dbfs=0, lookahead_ms=2, hold_ms=0, release_ms=100)
    gain = 20 * np.log10(y[0] / x)
    assert np.abs(np.diff(gain)).max() <= 6.03 / 96 * 1.01  # 6.02 dB over 2 ms


# -- hits --------------------------------------------------------------------------------------------------


def test_hits_do_not_know_the_level():
    x = drums(RATE, bpm=300)[None] * 0.5  # 36 dB of decay: the floor of -100 dBFS is not reached
    y, _ = run(x, do="hits", onset_db=6, ring_db=-6)
    softer, _ = run(x * 10 ** (-20 / 20), do="hits", onset_db=6, ring_db=-6)
    # The first hit comes out of silence, whose depth the two do not share.
    assert np.abs(softer * 10 - y)[:, 24000:].max() < 1e-6


def test_hits_raise_the_onset_and_lower_the_ring():
    t = np.arange(RATE) / RATE
    x = (np.sin(2 * np.pi * 180 * t) * np.exp(-((t - 0.2).clip(0)) / 0.15) * (t > 0.2))[None] * 0.5
    onset, ring = slice(9600, 9600 + 480), slice(9600 + 7200, 9600 + 16800)
    y, _ = run(x, do="hits", onset_db=6, ring_db=0)
    assert level_db(y[0, onset]) - level_db(x[0, onset]) > 2
    assert abs(level_db(y[0, ring]) - level_db(x[0, ring])) < 0.5
    y, _ = run(x, do="hits", onset_db=0, ring_db=-8)
    assert level_db(y[0, ring]) - level_db(x[0, ring]) < -2
    assert abs(level_db(y[0, onset]) - level_db(x[0, onset])) < 1


# -- dynamic eq --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("direction", ["down", "up"])
def test_a_dynamic_band_follows_the_static_curve_at_its_centre(direction):
    x = sine(1000, 2, -10)[None]
    # The level that counts is each frame's own: a sine works the curve over its whole swing. A DC-like check needs a
    # square wave, which the band-pass rounds; so the limit is the curve at the peak.
    y, runner = run(x, do="dynamic_eq", bands=[
        {"freq_hz": 1000, "q": 1, "threshold_db": -20, "ratio": 2, "knee_db": 0, "direction": direction,
         "attack_ms": 0, "release_ms": 2000}])  # fmt: skip
    change = level_db(y[0, -9600:]) - level_db(x[0, -9600:])
    expected = 5.0 if direction == "up" else -5.0  # 10 dB over, ratio 2
    assert change == pytest.approx(expected, abs=0.15)
    assert runner.readings()[0].step == "bands.0"
    assert runner.readings()[0].gain_reduction_max_db == pytest.approx(-expected, abs=0.1)


def test_a_dynamic_band_leaves_other_regions_alone():
    bands = [{"freq_hz": 8000, "q": 4, "threshold_db": -40, "ratio": 10, "range_db": 12}]
    x = (sine(8000, 1, -10) + sine(200, 1, -10))[None]
    y, _ = run(x, do="dynamic_eq", bands=bands)
    window = np.hanning(RATE)
    change = 20 * np.log10(np.abs(np.fft.rfft(y[0] * window)) / np.abs(np.fft.rfft(x[0] * window)))
    assert change[200] == pytest.approx(0, abs=0.1)
    assert change[8000] < -8


# -- split and branches ------------------------------------------------------------------------------------


@pytest.mark.parametrize("order", [4, 8])
@pytest.mark.parametrize("crossovers", [[300.0], [120.0, 2000.0], [80.0, 400.0, 2500.0, 9000.0]])
def test_empty_bands_add_up_to_an_all_pass(order, crossovers):
    # S. H. Linkwitz, JAES 24(1), 1976: legs at -6.02 dB; the sum is flat within 0.001 dB.
    freqs = np.geomspace(20, 20000, 400)
    sections = band_sections(crossovers, order, RATE)
    legs = [signal.sosfreqz(band, freqs, fs=RATE)[1] for band in sections]
    assert np.abs(20 * np.log10(np.abs(sum(legs)))).max() < 0.001
    at = signal.sosfreqz(sections[0], [crossovers[0]], fs=RATE)[1][0]
    if len(crossovers) == 1:
        assert 20 * np.log10(np.abs(at)) == pytest.approx(-6.0206, abs=1e-4)


def test_split_compensates_latency_inside_its_bands():
    x = np.zeros((1, 20000))
    x[0, 8000] = 1.0
    bands = [{"chain": [{"do": "limiter", "ceiling_dbfs": 0, "lookahead_ms": 7}]}, {}]
    y, _ = run(x, do="split", crossovers_hz=[1000], bands=bands)
    plain, _ = run(x, do="split", crossovers_hz=[1000], bands=[{}, {}])
    assert np.abs(y - plain).max() < 1e-12


def test_split_mute_solo_level_and_nesting():
    x = noise(RATE)[None]
    low, _ = run(x, do="split", crossovers_hz=[500], bands=[{}, {"mute": True}])
    solo, _ = run(x, do="split", crossovers_hz=[500], bands=[{"solo": True}, {}])
    high, _ = run(x, do="split", crossovers_hz=[500], bands=[{"mute": True}, {}])
    both, _ = run(x, do="split", crossovers_hz=[500], bands=[{}, {}])
    assert np.array_equal(low, solo)
    assert np.abs(low + high - both).max() < 1e-12
    nested = {
        "do": "split",
        "crossovers_hz": [200],
        "bands": [{"chain": [{"do": "compressor", "threshold_db": -40}]}, {}],
    }
    _, runner = run(x, do="split", crossovers_hz=[2000], bands=[{"chain": [nested]}, {}])
    assert [r.step for r in runner.readings()] == ["bands.0.chain.0.bands.0.chain.0"]


def test_branches_are_in_time_and_add_up():
    x = noise(RATE)[None]
    y, _ = run(x, do="branches", branches=[{}, {"chain": [{"do": "limiter", "ceiling_dbfs": 0}], "level_db": -6.0206}])
    assert np.abs(y - 1.5 * x).max() < 1e-4


def test_a_gentle_bus_compressor_reads_2_to_3_db(kit):
    # common practice
    _, runner = run(kit, do="compressor", threshold_db=-16, ratio=2.5, knee_db=8, attack_ms=12, release_ms=150)
    assert 2 <= runner.readings()[0].gain_reduction_max_db <= 3


def test_a_shorter_attack_lowers_the_crest_of_the_kick(kit):
    """common practice: 12 -> 4 ms takes the edge from hits whose peak comes some milliseconds after their onset.

    The kick's does, after 5 ms. The snare's crack is over in the first millisecond, before either attack acts.
    """
    import json

    truth = json.loads((ROOT / "fixtures" / "tithe-barn" / "truth.json").read_text())
    crests = []
    for attack in (12, 4):
        y, _ = run(kit, do="compressor", threshold_db=-28, ratio=2.5, knee_db=4, attack_ms=attack, release_ms=60)
        hits = [
            y[:, int(s * RATE) - 480 : int((s + 0.3) * RATE)]
            for s, strength in truth["hits_s"]["kick"]
            if strength > 0.6
        ]
        crests.append(np.mean([20 * np.log10(np.abs(hit).max() / np.sqrt(np.mean(hit**2))) for hit in hits]))
    assert crests[1] < crests[0] - 0.3


def test_expectations_find_readings_by_digit_and_by_name(demo):
    from chainrun.delivery import render
    from chainrun.recipe import open_recipe

    result = render(open_recipe(demo), demo.parent.parent / "out")
    by_name = result.reading_at("buses.kit.chain.glue.gain_reduction_max_db")
    assert by_name == result.reading_at("buses.kit.chain.0.gain_reduction_max_db")
    assert 0 < result.reading_at("buses.kit.chain.0.compressor.gain_reduction_mean_db") < by_name
    assert 0 < result.reading_at("stems.kick.chain.door.gain_reduction_working_pct") < 100
    assert result.reading_at("main.chain.1.gain_reduction_max_db") > 0
    with pytest.raises(KeyError, match="no readings"):
        result.reading_at("stems.hat.chain.0.gain_reduction_max_db")


# -- what a fresh reader broke ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rate", "lookahead", "ceiling"), [(48000, 20, -60), (96000, 10, -20), (192000, 1.5, -60), (8000, 20, -60)]
)
def test_the_limiter_holds_at_the_ends_of_its_ranges(rate, lookahead, ceiling):
    x = np.stack([0.9 * np.sin(2 * np.pi * 440 * np.arange(rate) / rate), 20.0 * np.ones(rate)])
    step = STEP.validate_python({"do": "limiter", "ceiling_dbtp": ceiling, "lookahead_ms": lookahead})
    y = step.start(Stream(rate, 2)).run(x, {})
    assert 20 * np.log10(np.abs(y).max()) <= ceiling + 1e-6


@pytest.mark.parametrize("lookahead", [1.0, 3.0])
@pytest.mark.parametrize(("hold", "release"), [(0, 1), (1, 5), (50, 500)])
def test_true_peak_holds_with_short_times_in_stereo(lookahead, hold, release):
    x = np.stack([HOSTILE["square bursts"], HOSTILE["clipped noise"]])
    y, _ = run(x, do="limiter", ceiling_dbtp=-1, lookahead_ms=lookahead, hold_ms=hold, release_ms=release)
    for row in y:
        peak = np.abs(signal.resample_poly(np.concatenate([row, np.zeros(200)]), 16, 1)).max()
        assert 20 * np.log10(peak) <= -0.9


def test_dynamic_bands_act_one_after_the_other():
    band = {"freq_hz": 1000, "threshold_db": -60, "ratio": 100, "range_db": 12, "knee_db": 0}
    x = sine(1000, 1, -1)[None]
    for count in (1, 2, 3):
        y, _ = run(x, do="dynamic_eq", bands=[band] * count)
        assert level_db(y[0, 9600:]) - level_db(x[0, 9600:]) == pytest.approx(-12 * count, abs=0.1)
        assert np.dot(y[0, 9600:], x[0, 9600:]) > 0, "the polarity stays"


def test_dynamic_eq_listens_to_its_regions():
    y, _ = run(sine(100, 1, -6)[None], do="dynamic_eq", listen=True, bands=[{"freq_hz": 8000, "threshold_db": -30}])
    assert level_db(y[0, 9600:]) < -50


def test_unlinked_upward_compression_reads_its_largest_boost():
    x = np.stack([np.full(RATE, 0.9), np.full(RATE, 0.001)])
    _, runner = run(x, do="compressor", direction="up", threshold_db=-20, stereo_link_pct=0, release_ms=1, attack_ms=0)
    assert runner.readings()[0].gain_reduction_max_db == pytest.approx(-12, abs=0.01)
    assert runner.readings()[0].gain_reduction_working_pct > 95


def test_auto_makeup_travels_and_gives_no_more_than_the_range_takes():
    x = drums(RATE)[None]
    gains = []
    for level, hit in ((1.0, -5.0), (10 ** (-9 / 20), -14.0)):
        step = STEP.validate_python({"do": "compressor", "threshold_below_hits_db": 15, "ratio": 4, "makeup": "auto"})
        gains.append(step.start(Stream(RATE, 1, hit_level_dbfs=hit)).run(x * level, {}) / level)
    assert np.abs(gains[0] - gains[1]).max() < 1e-9
    y, _ = run(np.ones((1, 4800)), do="compressor", threshold_db=-40, ratio=4, range_db=0, makeup="auto")
    assert y[0, -1] == pytest.approx(1.0)


def test_hits_out_of_silence_do_not_know_the_level():
    t = np.arange(RATE) / RATE
    x = (np.sin(2 * np.pi * 180 * t) * np.exp(-((t - 0.2).clip(0)) / 0.1) * (t >= 0.2))[None]
    loud, _ = run(x, do="hits", onset_db=12, ring_db=-6)
    soft, _ = run(x * 0.01, do="hits", onset_db=12, ring_db=-6)
    assert np.abs(soft * 100 - loud).max() < 1e-4


def test_auto_release_is_never_longer_than_its_longest():
    x = np.concatenate([np.ones(RATE), np.full(RATE, 1e-3)])[None]
    y, _ = run(x, do="compressor", threshold_db=-20, ratio=2, knee_db=0, attack_ms=0, release_ms=1, auto_release=True)
    reduction = -20 * np.log10(y[0] / x[0])[RATE:]
    assert np.flatnonzero(reduction < 10 * np.exp(-1))[0] / 48 <= 1.1


def test_readings_stop_with_the_input(session):
    from pathlib import Path

    from chainrun.delivery import render
    from chainrun.recipe import open_recipe

    late = ", ".join(['{ do = "compressor", threshold_db = 0, lookahead_ms = 50 }'] * 6)
    path = session.write(
        f'recipe = 1\n[stems.a]\nfile = "kick.wav"\nchain = [ {{ do = "gate", threshold_db = -30 }}, {late} ]\n'
    )
    gate = render(open_recipe(path), Path("out")).nodes[0].readings[0]
    assert gate.curve_max_db.size == 50  # 0.5 s


def test_a_split_is_not_mixed_with_its_input():
    with pytest.raises(ValidationError, match="notches"):
        STEP.validate_python({"do": "split", "crossovers_hz": [500], "bands": [{}, {}], "mix_pct": 50})


def test_expander_holds_before_it_falls():
    x = np.concatenate([np.full(RATE // 2, 0.5), np.full(RATE // 2, 1e-3)])[None]
    y, _ = run(x, do="expander", threshold_db=-30, ratio=3, range_db=30, hold_ms=100, release_ms=10, window_ms=0.1)
    gain = 20 * np.log10(y[0] / x[0])
    assert gain[RATE // 2 + 4700] == pytest.approx(0, abs=0.01)
    assert gain[RATE // 2 + 9600] < -25


@settings(max_examples=20, deadline=None)
@given(
    st.sampled_from(sorted(hostile())),
    st.floats(-50, -5),
    st.floats(1.1, 8),
    st.floats(0, 12),
    st.lists(st.integers(1, 2500), min_size=1, max_size=4),
)
def test_expander_and_upward_compressor_against_their_twins(name, threshold, ratio, knee, cuts):
    x = hostile(3000)[name][None]
    decay, attack, release = (time_constant(ms, RATE) for ms in (10, 2, 60))
    cases = [
        ({"do": "expander", "range_db": 40}, ratio - 1, 40, -1),
        ({"do": "compressor", "direction": "up", "range_db": 15}, 1 - 1 / ratio, 15, 1),
    ]
    for numbers, slope, most, sign in cases:
        step = STEP.validate_python({**numbers, "threshold_db": threshold, "ratio": ratio, "knee_db": knee,
                                     "attack_ms": 2, "release_ms": 60, "window_ms": 10})  # fmt: skip
        runner = step.start(Stream(RATE, 1))
        found = np.concatenate([runner.run(piece, {}) for piece in in_pieces(x, cuts)], axis=1)[0]
        held, change = 0.0, most if numbers["do"] == "expander" else 0.0
        expected = np.empty(3000)
        for n, value in enumerate(np.abs(x[0])):
            held = max(value, held * decay)
            under = threshold - 20 * np.log10(max(held, 1e-30))
            if 2 * under <= -knee:
                wanted = 0.0
            elif knee > 0 and 2 * abs(under) < knee:
                wanted = slope * (under + knee / 2) ** 2 / (2 * knee)
            else:
                wanted = slope * under
            wanted = min(wanted, most)
            a = release if wanted > change else attack
            change = a * change + (1 - a) * wanted
            expected[n] = x[0, n] * 10 ** (sign * change / 20)
        assert np.abs(found - expected).max() <= 1e-9
