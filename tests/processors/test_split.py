"""`split` and `branches`: bands add up, parts stay in time."""

from __future__ import annotations

import numpy as np
import pytest
from pydantic import ValidationError
from scipy import signal

import chainrun.processors  # noqa: F401
from chainrun.dsp.crossover import band_sections
from tests.signals import noise
from tests.steps import RATE, STEP, run_step


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


def test_a_split_is_not_mixed_with_its_input():
    with pytest.raises(ValidationError, match="notches"):
        STEP.validate_python({"do": "split", "crossovers_hz": [500], "bands": [{}, {}], "mix_pct": 50})
