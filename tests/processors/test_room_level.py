"""The level of a room: pink noise is as loud wet as dry, or as in the real room."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import fftconvolve

import chainrun.processors  # noqa: F401
from chainrun.contract import Stream
from chainrun.runtime import ChainRunner
from chainrun.runtime.whole_signal import run_on_time
from tests.steps import RATE, STEP

SMALL = {"width_m": 3.2, "depth_m": 3.0, "height_m": 2.5, "decay_s": 0.22, "distance_m": 0.9}
SIZES = [
    {},
    SMALL,
    {"width_m": 5, "depth_m": 4, "height_m": 2.8, "decay_s": 0.35},
    {
        "width_m": 18,
        "depth_m": 14,
        "height_m": 7,
        "decay_s": 1.4,
        "distance_m": 5,
        "damping_pct": 40,
        "predelay_ms": 18,
    },
    {"source_m": [1, 1, 1.5], "microphone_m": [5, 4, 1.2]},
    {"decay_s": [0.8, 0.8, 0.7, 0.6, 0.5, 0.4, 0.35, 0.3]},
]


def pink(n, rows=1, seed=1, rate=RATE):
    """Noise of equal energy per octave from 20 Hz to 20 kHz, rows of their own, each of energy 1."""
    freqs = np.fft.rfftfreq(n, 1 / rate)
    inside = (freqs >= 20) & (freqs <= 20000)
    shape = np.where(inside, 1 / np.sqrt(np.maximum(freqs, 1.0)), 0.0)
    x = np.fft.irfft(np.fft.rfft(np.random.default_rng(seed).standard_normal((rows, n))) * shape, n)
    return x / np.sqrt(np.sum(x**2, axis=1, keepdims=True))


def responses_of(channels=1, rate=RATE, law=-3.0, **numbers):
    return STEP.validate_python({"do": "room", **numbers}).impulse_responses(rate, channels, law)


def wet(x, responses):
    """Really convolved, tail and all: the energies are of the whole."""
    return sum(fftconvolve(row[None], one, axes=1) for row, one in zip(x, responses, strict=True))


def db(power):
    return 10 * np.log10(power)


COSTLY = [pytest.param(i, 2, marks=pytest.mark.soak) for i in (1, 2, 4)]
"""Stereo rooms of short decays are drawn many times before they are good."""


@pytest.mark.parametrize(("room", "channels"), [*((i, 1) for i in range(6)), (0, 2), (3, 2), (5, 2), *COSTLY])
def test_pink_noise_is_as_loud_wet_as_dry(room, channels):
    room = SIZES[room]
    # Mono: a signal laid into both sides at -3 dB keeps its energy (cos^2 + sin^2 = 1). Stereo: two unrelated noises.
    x = pink(10 * RATE, channels)
    y = wet(x, responses_of(channels, **room))
    assert db(np.sum(y**2) / np.sum(x**2)) == pytest.approx(0.0, abs=0.5)


@pytest.mark.parametrize("rate", [44100, 96000])
def test_the_level_holds_at_every_rate(rate):
    x = pink(10 * rate, rate=rate)
    assert db(np.sum(wet(x, responses_of(rate=rate)) ** 2)) == pytest.approx(0.0, abs=0.5)


@pytest.mark.parametrize(("law", "expected"), [(-4.5, -1.5), (-6.0, -3.0)])
def test_a_mono_signals_dry_level_is_that_of_the_pan_law(law, expected):
    """Both sides at -4.5 or -6 dB: 1.5 or 3 dB less than the signal's own energy (2 * 10^(law / 10))."""
    energies = [np.sum(responses_of(law=one)[0] ** 2) for one in (law, -3.0)]
    assert db(energies[0] / energies[1]) == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize("room", [{}, SMALL])
def test_both_levels_are_the_same_room(room):
    ratio = responses_of(**room)[0] / responses_of(level="physical", **room)[0]
    sounding = np.isfinite(ratio)
    assert np.ptp(ratio[sounding]) < 1e-9 * abs(ratio[sounding][0])


def test_early_and_late_change_their_part_alone():
    """The level is held before early_db and late_db: 6 dB less tail is 6 dB less tail, and the same reflections."""
    balances = {(early, late): {"early_db": early, "late_db": late} for early, late in ((0, 0), (0, -6), (0, -120))}
    made = {key: responses_of(**numbers)[0] for key, numbers in balances.items()}
    late = slice(int(0.15 * RATE), None)  # EARLY_SHARE: reflections end at a quarter of 0.4 s
    fallen = db(np.sum(made[0, -6][:, late] ** 2) / np.sum(made[0, 0][:, late] ** 2))
    assert fallen == pytest.approx(-6.0, abs=0.5)  # which noises are drawn may differ
    physical = {key: responses_of(level="physical", **numbers)[0] for key, numbers in balances.items()}
    gains = [db(np.sum(made[key] ** 2) / np.sum(physical[key] ** 2)) for key in balances]
    assert gains == pytest.approx([gains[0]] * len(gains), abs=0.05)
    assert db(np.sum(made[0, -120] ** 2) / np.sum(made[0, 0] ** 2)) < -3.0


def test_wet_db_is_the_level_of_the_whole():
    for level in ("as_dry", "physical"):
        ratio = responses_of(level=level, wet_db=-6.0)[0]
        assert ratio == pytest.approx(responses_of(level=level)[0] * 10 ** (-6 / 20), abs=1e-12)
    for numbers in ({"do": "echo", "time_ms": 20}, {"do": "echo", "time_ms": 20, "ping_pong": True}):
        x = pink(RATE // 4)
        plain, louder = (
            run_on_time(ChainRunner([STEP.validate_python({**numbers, "wet_db": gain})], Stream(RATE, 1)), x)
            for gain in (0.0, 6.0)
        )
        assert np.abs(plain).max() > 0
        assert louder == pytest.approx(plain * 10 ** (6 / 20), abs=1e-12)


PHYSICAL = [
    # Frames 200, 1000, 5000 and 9000 of each response, left and right, and the energy of them, as 0.2.0 made them.
    (
        {},
        1,
        [
            [-0.0009375436245637817, -0.012087337124765367, 0.007866562707467356, -0.0013733120865532973],
            [0.010521177781231118, 0.026816020944975302, 0.004330451492776665, -0.0032050699014181936],
        ],
        [8.04729947610962],
    ),
    (
        {**SMALL, "damping_pct": 30, "predelay_ms": 3},
        2,
        [
            [-0.03255015349335734, -0.0928918962879477, -0.00043580101034143136, 0.00019101947058958668],
            [-0.01842933324375727, -0.018720251329142762, -0.0005699293034358256, 1.988772945598629e-05],
            [-0.0027982767959376376, -0.006162124001363192, 0.00014732152321694414, -1.7829510934515692e-05],
            [0.0028214236652631865, -0.0079027481243985, 0.00010696723710952473, -0.00026498980176550786],
        ],
        [8.150916225087094, 7.700412724911074],
    ),
    (
        {"decay_s": [0.3, 0.3, 0.28, 0.26, 0.24, 0.22, 0.2, 0.18], "early_db": -2, "late_db": -6},
        1,
        [
            [-0.005958321947583354, -0.00835810242272607, 0.0004515164995169301, -9.889350237489265e-06],
            [0.0004057968200676008, 0.006688279922639673, 7.024775788854024e-05, 4.443513059864761e-05],
        ],
        [1.539168435533532],
    ),
]


@pytest.mark.parametrize(("room", "channels", "frames", "energies"), PHYSICAL)
def test_the_physical_level_is_that_of_the_version_before(room, channels, frames, energies):
    """The same samples; other versions of NumPy's transforms may round their last bits another way."""
    made = responses_of(channels, level="physical", **room)
    found = np.concatenate(made)[:, [200, 1000, 5000, 9000]]
    assert found == pytest.approx(np.array(frames), rel=1e-9, abs=1e-13)
    assert [float(np.sum(one**2)) for one in made] == pytest.approx(energies, rel=1e-9)
