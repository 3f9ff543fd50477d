"""`split` and `branches`: bands add up, parts stay in time."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

import chainrun.processors  # noqa: F401
from chainrun.contract import Stream
from chainrun.dsp.crossover import band_sections
from chainrun.runtime import ChainRunner
from chainrun.runtime.whole_signal import run_on_time
from tests.signals import noise
from tests.steps import RATE, STEP, run_step


def chained(x, **numbers):
    """What a chain of this step alone makes of x, on time: with the mix."""
    return run_on_time(ChainRunner([STEP.validate_python(numbers)], Stream(RATE, x.shape[0])), x)


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
    y, _ = run_step(x, do="split", crossovers_hz=[1000], bands=bands)
    plain, _ = run_step(x, do="split", crossovers_hz=[1000], bands=[{}, {}])
    assert np.abs(y - plain).max() < 1e-12


def test_split_mute_solo_level_and_nesting():
    x = noise(RATE)[None]
    low, _ = run_step(x, do="split", crossovers_hz=[500], bands=[{}, {"mute": True}])
    solo, _ = run_step(x, do="split", crossovers_hz=[500], bands=[{"solo": True}, {}])
    high, _ = run_step(x, do="split", crossovers_hz=[500], bands=[{"mute": True}, {}])
    both, _ = run_step(x, do="split", crossovers_hz=[500], bands=[{}, {}])
    assert np.array_equal(low, solo)
    assert np.abs(low + high - both).max() < 1e-12
    nested = {
        "do": "split",
        "crossovers_hz": [200],
        "bands": [{"chain": [{"do": "compressor", "threshold_dbfs": -40}]}, {}],
    }
    _, runner = run_step(x, do="split", crossovers_hz=[2000], bands=[{"chain": [nested]}, {}])
    assert [r.step for r in runner.readings()] == ["bands.0.chain.0.bands.0.chain.0"]


def test_branches_are_in_time_and_add_up():
    x = noise(RATE)[None]
    y, _ = run_step(
        x, do="branches", branches=[{}, {"chain": [{"do": "limiter", "ceiling_dbfs": 0}], "level_db": -6.0206}]
    )
    assert np.abs(y - 1.5 * x).max() < 1e-4


@pytest.mark.parametrize("slope", [24, 48])
@pytest.mark.parametrize("crossovers", [[300.0], [80.0, 400.0, 2500.0, 9000.0]])
@pytest.mark.parametrize("mix", [0.0, 0.01, 30.0, 99.0])
def test_the_mix_of_a_split_with_empty_chains_changes_nothing(slope, crossovers, mix):
    x = np.stack([noise(RATE), noise(RATE, seed=1)])
    split = {"do": "split", "crossovers_hz": crossovers, "slope_db_per_octave": slope}
    split["bands"] = [{} for _ in range(len(crossovers) + 1)]
    assert np.abs(chained(x, **split, mix_pct=mix) - chained(x, **split)).max() < 1e-9


def test_a_bands_level_is_mixed_in_phase():
    """Half of twice the amplitude and half of the dry one: 20 lg 1.5; a muted band leaves its half."""
    x = noise(2 * RATE)[None]
    for change, expected in (
        ({"level_db": 20 * np.log10(2)}, 20 * np.log10(1.5)),
        ({"mute": True}, 20 * np.log10(0.5)),
    ):
        split = {"do": "split", "crossovers_hz": [1000.0], "bands": [change, {}]}
        y = chained(x, **split, mix_pct=50.0)
        plain = chained(x, do="split", crossovers_hz=[1000.0], bands=[{}, {}])
        freqs, before = signal.welch(plain[0], RATE, nperseg=8192)
        gain = 10 * np.log10(signal.welch(y[0], RATE, nperseg=8192)[1] / before)
        assert gain[(freqs > 30) & (freqs < 100)] == pytest.approx(expected, abs=0.02)
        assert gain[(freqs > 10000) & (freqs < 20000)] == pytest.approx(0.0, abs=0.02)
        between = gain[(freqs > 100) & (freqs < 10000)]  # no notch, no bump
        assert min(0.0, expected) - 0.02 < between.min()
        assert between.max() < max(0.0, expected) + 0.02


def test_the_dry_part_of_a_split_waits_for_its_chains():
    x = np.zeros((1, 20000))
    x[0, 8000] = 0.5
    bands = [{"chain": [{"do": "limiter", "ceiling_dbfs": 0, "lookahead_ms": 7}]}, {}]
    plain = chained(x, do="split", crossovers_hz=[1000], bands=[{}, {}])
    mixed = chained(x, do="split", crossovers_hz=[1000], bands=bands, mix_pct=40)
    assert np.abs(mixed - plain).max() < 1e-12


def test_the_mix_of_a_narrowed_bass_is_in_phase():
    """The side's gain is the dry share below the crossover and 1 above it; the middle's level stays everywhere."""
    freqs = np.fft.rfftfreq(1 << 16, 1 / RATE)
    inside = (freqs > 15) & (freqs < 20000)
    for sign in (-1.0, 1.0):
        x = np.zeros((2, 1 << 16))
        x[:, 0] = 1.0, sign
        y = chained(x, do="width", mono_below_hz=300.0, mix_pct=50.0)
        gain = 20 * np.log10(np.abs(np.fft.rfft((y[0] + sign * y[1]) / 2)))
        if sign > 0:
            assert np.abs(gain[inside]).max() < 0.001
        else:
            assert gain[(freqs > 15) & (freqs < 30)] == pytest.approx(20 * np.log10(0.5), abs=0.01)
            assert gain[(freqs > 5000) & inside] == pytest.approx(0.0, abs=0.01)
            assert (np.diff(gain[inside]) > -1e-6).all()


def test_branches_and_bands_have_the_same_keys():
    x = noise(RATE)[None]
    quiet = {"level_db": -6.0, "note": "under it"}
    one, other = (
        chained(x, do="branches", branches=branches)
        for branches in ([{"solo": True}, quiet], [{}, {**quiet, "mute": True}])
    )
    assert np.array_equal(one, other)
    assert np.abs(one).max() > 0
