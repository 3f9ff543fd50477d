"""The linear phase of `eq`: magnitude, symmetry, time, latency, and refusals."""

from __future__ import annotations

import numpy as np
import pytest
from pydantic import ValidationError

import chainrun.processors  # noqa: F401
from chainrun.contract import Stream
from chainrun.dsp import biquad
from chainrun.dsp.linear_phase import grid_size, symmetric_taps
from tests.signals import sine
from tests.steps import RATE, STEP, through


def test_linear_phase_states_its_real_latency():
    text = " ".join(
        type(
            STEP.validate_python({"do": "eq", "bands": [{"kind": "bell", "freq_hz": 1000, "gain_db": 0}]})
        ).__doc__.split()
    )
    assert "0.24 to 0.27 s in total for wide bands, 0.5 s for a bell of 15 Hz width, 1 s for one of 5 Hz" in text
    from chainrun.contract import Stream

    for rate, freq, q, low, high in ((44100, 1000, 1, 0.24, 0.271), (48000, 1000, 1, 0.24, 0.271), (96000, 1000, 1, 0.24, 0.271), (48000, 60, 4, 0.45, 0.55), (48000, 40, 8, 0.9, 1.1)):  # fmt: skip
        step = STEP.validate_python(
            {"do": "eq", "phase": "linear", "bands": [{"kind": "bell", "freq_hz": freq, "gain_db": 3, "q": q}]}
        )
        assert low <= step.start(Stream(rate, 1)).latency_frames / rate <= high


BANDS = [
    {"kind": "low_cut", "freq_hz": 80, "slope_db_per_octave": 12},
    {"kind": "bell", "freq_hz": 3000, "gain_db": 6, "q": 1},
]


def band_sections(*bands):
    return np.concatenate(
        [STEP.validate_python({"do": "eq", "bands": [b]}).bands[0].sections(RATE, "matched") for b in bands]
    )


def linear_taps(*bands):
    n = grid_size(RATE)
    grid, centres = np.arange(n // 2 + 1) * RATE / n, np.unique([float(band["freq_hz"]) for band in bands])
    wanted, at_centres = (np.abs(biquad.response(band_sections(*bands), freqs, RATE)) for freqs in (grid, centres))
    return symmetric_taps(wanted, RATE, (centres, at_centres))


@pytest.mark.parametrize(
    "bands",
    [
        BANDS,
        [{"kind": "notch", "freq_hz": 1000, "q": 30}],
        [{"kind": "low_cut", "freq_hz": 40, "slope_db_per_octave": 48}],
        [{"kind": "bell", "freq_hz": 100, "gain_db": 12, "q": 12}],
    ],
)
def test_linear_phase_is_symmetric_and_has_the_magnitude(bands):
    taps = linear_taps(*bands)
    assert np.abs(taps - taps[::-1]).max() < 1e-9
    freqs = np.geomspace(20, 20000, 300)
    got = np.abs(np.exp(-2j * np.pi * np.outer(freqs, np.arange(taps.size)) / RATE) @ taps)
    expected = np.abs(biquad.response(band_sections(*bands), freqs, RATE))
    audible = expected > 0.1
    assert (
        np.abs(20 * np.log10(got / expected))[audible].max() < 0.15
    )  # a notch has a kink, which no FIR follows wholly
    assert np.abs(got - expected)[~audible].max(initial=0) < 0.005


NARROW = [
    ({"kind": "bell", "freq_hz": 30, "gain_db": 12, "q": 10}, 0.1),
    ({"kind": "bell", "freq_hz": 30, "gain_db": -12, "q": 10}, 0.1),
    ({"kind": "bell", "freq_hz": 30, "gain_db": 24, "q": 5}, 0.1),
    ({"kind": "band_pass", "freq_hz": 30, "q": 10}, 0.1),
    ({"kind": "notch", "freq_hz": 50, "q": 10}, 4),
    ({"kind": "notch", "freq_hz": 1000, "q": 200}, 4),
    ({"kind": "notch", "freq_hz": 50, "q": 3}, 0.2),
]


@pytest.mark.parametrize(("band", "within_db"), NARROW)
def test_the_narrowest_linear_phase_bands_hold_at_their_centre_and_beside_it(band, within_db):
    freq = band["freq_hz"]
    assert not STEP.validate_python({"do": "eq", "phase": "linear", "bands": [band]}).misfits(Stream(RATE, 1))
    taps = linear_taps(band)
    turn = np.arange(taps.size) * 2 * np.pi / RATE
    assert taps @ np.cos((np.arange(taps.size) - taps.size // 2) * 2 * np.pi / RATE * freq) == pytest.approx(
        np.abs(biquad.response(band_sections(band), [freq], RATE))[0], abs=1e-4
    )
    freqs = np.geomspace(freq / 1.5, freq * 1.5, 200)
    got = np.abs(np.exp(-1j * np.outer(freqs, turn)) @ taps)
    expected = np.abs(biquad.response(band_sections(band), freqs, RATE))
    audible = expected > 0.1
    assert np.abs(20 * np.log10(got / expected))[audible].max() < within_db
    assert np.abs(20 * np.log10(got / expected))[expected > 0.32].max() < min(within_db, 1.0)


@pytest.mark.parametrize(
    "band",
    [
        {"kind": "notch", "freq_hz": 50, "q": 11},
        {"kind": "bell", "freq_hz": 30, "gain_db": 3, "q": 11},
        {"kind": "bell", "freq_hz": 30, "gain_db": 24, "q": 6},
        {"kind": "band_pass", "freq_hz": 30, "q": 11},
    ],
)
def test_narrower_linear_phase_bands_are_refused_at_check(band):
    def keys(**more):
        step = STEP.validate_python({"do": "eq", "bands": [band | more], "phase": "linear"})
        return [misfit.key for misfit in step.misfits(Stream(RATE, 1))]

    assert keys() == ["bands.0.q"] and keys(bypass=True) == []


def test_a_linear_phase_step_is_on_time():
    impulse = np.zeros((1, 30000))
    impulse[0, 15000] = 1
    y = through(impulse, do="eq", phase="linear", bands=BANDS)[0]
    assert int(np.abs(y).argmax()) == 15000
    assert np.abs(y[15000 - 3000 : 15000] - y[15001:18001][::-1]).max() < 1e-9


def test_linear_phase_bands_on_sides_and_on_mid_are_one_fir():
    """The sums of the minimum-phase step, in magnitude; and no more latency than with one band."""
    bands = [
        {"kind": "bell", "freq_hz": 500, "gain_db": 6, "acts_on": "left"},
        {"kind": "bell", "freq_hz": 2000, "gain_db": -9, "acts_on": "side"},
        {"kind": "high_shelf", "freq_hz": 5000, "gain_db": 3, "acts_on": "right"},
        {"kind": "bell", "freq_hz": 900, "gain_db": 3, "acts_on": "mid"},
    ]
    step = STEP.validate_python({"do": "eq", "phase": "linear", "bands": bands})
    alone = STEP.validate_python({"do": "eq", "phase": "linear", "bands": bands[:1]})
    assert step.start(Stream(RATE, 2)).latency_frames <= 2 * alone.start(Stream(RATE, 2)).latency_frames
    freqs = np.array([500.0, 900.0, 2000.0, 8000.0])
    gains = [np.abs(biquad.response(band_sections({**b, "acts_on": "both"}), freqs, RATE)) for b in bands]
    left, side, right, mid = gains
    for k, freq in enumerate(freqs):
        x = np.stack([sine(freq, 0.5, -20), np.zeros(RATE // 2)])
        y = through(x, do="eq", phase="linear", bands=bands)[:, 9600:-9600]
        m = s = left[k] / 2
        m, s = m, s * side[k]
        own, other = m + s, (m - s) * right[k]
        m, s = (own + other) / 2 * mid[k], (own - other) / 2
        expected = np.abs([m + s, m - s])
        assert np.std(y, axis=1) / np.std(x[0, 9600:-9600]) == pytest.approx(expected, abs=0.01)


def test_linear_phase_refuses_what_it_cannot_do():
    with pytest.raises(ValidationError, match="does nothing"):
        STEP.validate_python({"do": "eq", "phase": "linear", "bands": [{"kind": "all_pass", "freq_hz": 100}]})
