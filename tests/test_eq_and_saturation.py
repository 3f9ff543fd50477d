"""eq to the top octave, linear phase, saturation: against analog prototypes and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError
from scipy import signal

import chainrun.processors  # noqa: F401
from chainrun.contract import Stream, any_step
from chainrun.dsp import biquad
from chainrun.dsp.convolution import Convolver
from chainrun.dsp.curves import CORNERED, DEFAULT_OVERSAMPLING, curve_of
from chainrun.dsp.linear_phase import grid_size, symmetric_taps
from chainrun.dsp.matched import analog_magnitude, matched
from chainrun.dsp.oversample import Oversampler
from tests.signals import drums, in_pieces, noise, sine

RATE = 48000
STEP = TypeAdapter(any_step())


def run(x, rate=RATE, **numbers):
    runner = STEP.validate_python(numbers).start(Stream(rate, x.shape[0]))
    late = runner.latency_frames
    return runner.run(np.concatenate([x, np.zeros((x.shape[0], late))], axis=1), {})[:, late:]


def deviation_db(kind, freq, gain, q, rate):
    """Largest deviation from the analog prototype (Audio EQ Cookbook) up to 0.9 of the Nyquist frequency."""
    freqs = np.geomspace(20, 0.45 * rate, 500)
    got = np.abs(biquad.response(matched(kind, freq, gain, q, rate), freqs, rate))
    return np.abs(20 * np.log10(got / analog_magnitude(kind, freqs, freq, gain, q))).max()


@pytest.mark.parametrize("rate", [44100, 48000])
@pytest.mark.parametrize("kind", ["bell", "low_shelf", "high_shelf"])
def test_bells_and_shelves_have_their_analog_shape(kind, rate):
    worst = max(
        (deviation_db(kind, freq, gain, q, rate), freq, gain, q)
        for freq in (30, 100, 1000, 4000, 8000, 12000, 16000)
        for gain in (-12, -6, 3, 12)
        for q in ((0.5, 1, 2, 8) if kind == "bell" else (0.5, 0.7071, 1.0))
    )
    assert worst[0] < 0.02, worst  # the demand is 0.4, the goal 0.1 dB


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(["bell", "low_shelf", "high_shelf"]),
    st.floats(20, 20000),
    st.floats(-30, 30),
    st.floats(0.1, 20),
    st.sampled_from([44100, 48000, 96000]),
)
def test_matched_designs_are_stable_and_invertible(kind, freq, gain, q, rate):
    q = q if kind == "bell" else min(q, 5)
    sections = matched(kind, freq, gain, q, rate)
    for row in sections:
        assert np.abs(np.roots(row[3:])).max() < 1
    inverse = matched(kind, freq, -gain, q, rate)
    freqs = np.geomspace(20, 0.49 * rate, 100)
    product = biquad.response(np.concatenate([sections, inverse]), freqs, rate)
    assert np.abs(20 * np.log10(np.abs(product))).max() < 0.05


def test_the_bilinear_form_is_the_cookbooks():
    x = np.zeros((1, 64))
    x[0, 0] = 1
    y = run(x, do="eq", design="bilinear", bands=[{"kind": "bell", "freq_hz": 1000, "gain_db": 6, "q": 1}])
    # W3C Audio EQ Cookbook evaluated at 48 kHz: b0, and y[1] = b1 - a1 b0.
    assert y[0, 0] == pytest.approx(1.043953086990, abs=1e-9)
    assert y[0, 1] == pytest.approx(-1.895320723937 + 1.895320723937 * 1.043953086990, abs=1e-9)


def test_published_values_of_a_bell_at_12_khz():
    # Analog bell +12 dB, Q 2, 12 kHz: 1.471 4.244 12 6.546 2.496 dB at 6, 8.485, 12, 15, 20 kHz (evaluated).
    freqs = [6000, 8485.28, 12000, 15000, 20000]
    got = 20 * np.log10(np.abs(biquad.response(matched("bell", 12000, 12, 2, 48000), freqs, 48000)))
    assert got == pytest.approx([1.471, 4.244, 12, 6.546, 2.496], abs=0.02)


def test_slopes_to_96_db_per_octave():
    for slope in (6, 24, 48, 96):
        step = STEP.validate_python(
            {"do": "eq", "bands": [{"kind": "high_cut", "freq_hz": 500, "slope_db_per_octave": slope}]}
        )
        sections = step.bands[0].sections(RATE, "matched")
        level = 20 * np.log10(np.abs(biquad.response(sections, [500, 2000, 4000], RATE)))
        assert level[0] == pytest.approx(-3.0103, abs=1e-3)
        assert level[1] - level[2] == pytest.approx(slope, rel=0.03)  # common practice: the far slope


def test_tilt_turns_around_its_middle():
    level = 20 * np.log10(np.abs(biquad.response(biquad.tilt(1000, 6, RATE)[None], [1, 1000, 23000], RATE)))
    assert level == pytest.approx([-3, 0, 3], abs=0.05)


def test_shelf_slope_is_the_cookbooks():
    # S = 1 is the steepest shelf without overshoot: Q = 1/sqrt(2) for every gain (Audio EQ Cookbook).
    step = STEP.validate_python(
        {"do": "eq", "bands": [{"kind": "low_shelf", "freq_hz": 200, "gain_db": 9, "slope": 1}]}
    )
    assert step.bands[0].steepness() == pytest.approx(np.sqrt(0.5))
    with pytest.raises(ValidationError, match="not both"):
        STEP.validate_python(
            {"do": "eq", "bands": [{"kind": "low_shelf", "freq_hz": 200, "gain_db": 9, "slope": 1, "q": 1}]}
        )


def test_bands_on_one_side_and_on_mid_or_side():
    band = {"kind": "bell", "freq_hz": 1000, "gain_db": 12, "q": 0.5}
    left, right = sine(1000, 0.3, -20), sine(1000, 0.3, -20, phase=1.0)
    x = np.stack([left, right])

    def change(channel, signal=x):
        y = run(signal, do="eq", bands=[{**band, "channel": channel}])
        return [20 * np.log10(np.std(y[i, 4800:]) / np.std(signal[i, 4800:])) for i in (0, 1)]

    assert change("left") == pytest.approx([12, 0], abs=0.05)
    assert change("right") == pytest.approx([0, 12], abs=0.05)
    same = np.stack([left, left])
    assert change("mid", same) == pytest.approx([12, 12], abs=0.05)
    assert change("side", same) == pytest.approx([0, 0], abs=1e-6)


def test_mono_has_no_sides(session, chainrun):
    path = session.write(
        'recipe = 1\n[stems.a]\nfile = "kick.wav"\nchain = [ { do = "eq", bands = [ { kind = "tilt", freq_hz = 900, gain_db = 3, channel = "mid" } ] } ]\n'
    )
    ran = chainrun("check", path)
    assert (ran.code, "there is one channel here" in ran.err) == (3, True)


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
    heard = expected > 0.1
    assert np.abs(20 * np.log10(got / expected))[heard].max() < 0.15  # a notch has a kink, which no FIR follows wholly
    assert np.abs(got - expected)[~heard].max(initial=0) < 0.005


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
    heard = expected > 0.1
    assert np.abs(20 * np.log10(got / expected))[heard].max() < within_db
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
    y = run(impulse, do="eq", phase="linear", bands=BANDS)[0]
    assert int(np.abs(y).argmax()) == 15000
    assert np.abs(y[15000 - 3000 : 15000] - y[15001:18001][::-1]).max() < 1e-9


def test_linear_phase_bands_on_sides_and_on_mid_are_one_fir():
    """The sums of the minimum-phase step, in magnitude; and no more latency than with one band."""
    bands = [
        {"kind": "bell", "freq_hz": 500, "gain_db": 6, "channel": "left"},
        {"kind": "bell", "freq_hz": 2000, "gain_db": -9, "channel": "side"},
        {"kind": "high_shelf", "freq_hz": 5000, "gain_db": 3, "channel": "right"},
        {"kind": "bell", "freq_hz": 900, "gain_db": 3, "channel": "mid"},
    ]
    step = STEP.validate_python({"do": "eq", "phase": "linear", "bands": bands})
    alone = STEP.validate_python({"do": "eq", "phase": "linear", "bands": bands[:1]})
    assert step.start(Stream(RATE, 2)).latency_frames <= 2 * alone.start(Stream(RATE, 2)).latency_frames
    freqs = np.array([500.0, 900.0, 2000.0, 8000.0])
    gains = [np.abs(biquad.response(band_sections({**b, "channel": "both"}), freqs, RATE)) for b in bands]
    left, side, right, mid = gains
    for k, freq in enumerate(freqs):
        x = np.stack([sine(freq, 0.5, -20), np.zeros(RATE // 2)])
        y = run(x, do="eq", phase="linear", bands=bands)[:, 9600:-9600]
        m = s = left[k] / 2
        m, s = m, s * side[k]
        own, other = m + s, (m - s) * right[k]
        m, s = (own + other) / 2 * mid[k], (own - other) / 2
        expected = np.abs([m + s, m - s])
        assert np.std(y, axis=1) / np.std(x[0, 9600:-9600]) == pytest.approx(expected, abs=0.01)


def test_linear_phase_refuses_what_it_cannot_do():
    with pytest.raises(ValidationError, match="does nothing"):
        STEP.validate_python({"do": "eq", "phase": "linear", "bands": [{"kind": "all_pass", "freq_hz": 100}]})


@pytest.mark.parametrize("length", [1, 64, 1000, 8192, 20001])
def test_partitioned_convolution(length):
    rng = np.random.default_rng(0)
    h, x = rng.standard_normal((2, length)), rng.standard_normal(30000)
    kernel, parts = Convolver(h), []
    late = kernel.latency_frames
    for (piece,) in in_pieces(np.concatenate([x, np.zeros(late)])[None], [1000, 1, 30000, 7]):
        parts.append(kernel.run(piece))
    y = np.concatenate(parts, axis=1)[:, late:]
    for row, taps in zip(y, h, strict=True):
        assert np.abs(row - np.convolve(x, taps)[: x.size]).max() < 1e-9 * max(1, length)


# -- saturation --------------------------------------------------------------------------------------------


def harmonics(curve, amplitude, bias=0.2, n=4096):
    """Amplitudes of the harmonics of a sine through a curve."""
    x = amplitude * np.sin(2 * np.pi * np.arange(n) / n)
    curve_of(curve, bias)(x)
    return np.abs(np.fft.rfft(x)) / n * 2


# Closed forms and integrals, evaluated in double precision: fundamental, THD_F (square root of the powers of the
# harmonics over the fundamental). IEC 60268-3 clause 14.12 divides by the whole in place of the fundamental.
THD = [
    ("tanh", 0.5, 0.471143, 0.019618),
    ("tanh", 1.0, 0.811676, 0.067065),
    ("tanh", 2.0, 1.117942, 0.173407),
    ("hard_clip", 2.0, 2 * 0.608998, 0.232938),
    ("hard_clip", 1 / 0.9, 0.962614 / 0.9, 0.042199),
    ("cubic", 1.0, 1.125, 1 / 9),
]


@pytest.mark.parametrize(("curve", "amplitude", "fundamental", "thd"), THD)
def test_distortion_of_the_curves(curve, amplitude, fundamental, thd):
    h = harmonics(curve, amplitude)
    assert h[1] == pytest.approx(fundamental, rel=1e-4)
    assert 20 * np.log10(np.sqrt(np.sum(h[2:] ** 2)) / h[1] / thd) == pytest.approx(0, abs=0.1)


def test_distortion_through_the_whole_step():
    # The same closed form (tanh, g = 2) at 4 times the rate, on a tone whose harmonics stay under 20 kHz.
    n = RATE
    x = np.sin(2 * np.pi * 250 * np.arange(n) / RATE)[None]
    y = run(x, do="saturate", curve="tanh", drive_db=20 * np.log10(2))[0]
    spectrum = np.abs(np.fft.rfft(y[:n])) / n * 2
    lines = spectrum[250::250][:70]
    assert lines[0] == pytest.approx(1.117942, rel=1e-3)
    assert np.sqrt(np.sum(lines[1:] ** 2)) / lines[0] == pytest.approx(0.173407, rel=1e-3)


def test_chebyshev_identity():
    """T5(cos w) = cos 5w: the harmonic analysis of these tests finds the fifth and nothing else."""
    x = np.cos(2 * np.pi * np.arange(4096) / 4096)
    t5 = np.abs(np.fft.rfft(16 * x**5 - 20 * x**3 + 5 * x)) / 4096 * 2
    assert t5[5] == pytest.approx(1, abs=1e-12)
    assert np.delete(t5, 5).max() < 1e-12


def test_symmetric_curves_make_odd_harmonics_alone():
    for curve in ("tanh", "arctangent", "cubic", "sine_fold", "hard_clip"):
        assert harmonics(curve, 1.3)[2:40:2].max() < 1e-12
    assert harmonics("biased_tanh", 1.0)[2] > 0.01


def test_the_lopsided_curve_leaves_no_dc():
    y = run(sine(100, 3, 0)[None], do="saturate", curve="biased_tanh", bias=0.5, drive_db=6)[0]
    assert abs(y[-48000:].mean()) < 1e-4


def alias_floor(curve, factor, freq_hz=5000.0, drive_db=12.0, n=1 << 16):
    """Loudest line that is no harmonic, in dB of the fundamental: over the whole band, and up to 20 kHz."""
    line = round(freq_hz / RATE * n) | 1
    x = 10 ** (drive_db / 20) * np.sin(2 * np.pi * line * np.arange(2 * n) / n)
    kernel = Oversampler(factor, curve_of(curve, 0.2), 1.0, 1.0, None, CORNERED.get(curve) if factor > 1 else None)
    spectrum = np.abs(np.fft.rfft(kernel.run(x)[n // 2 : n // 2 + n]))
    fundamental = spectrum[line]
    spectrum[: n // 2 : line] = 0  # harmonics, and the lopsided curve's DC, which the step takes out
    freqs = np.arange(spectrum.size) * RATE / n
    return 20 * np.log10(spectrum.max() / fundamental), 20 * np.log10(spectrum[freqs < 20000].max() / fundamental)


@pytest.mark.parametrize("curve", DEFAULT_OVERSAMPLING)
def test_alias_floor_of_the_default_oversampling(curve):
    """At tones, too, whose harmonics fall just above half the rate (4801 Hz: the fifth at 24005 Hz)."""
    for freq in (1500, 3000, 3430, 4801, 4900, 4950, 4987, 5000):
        whole, to_20k = alias_floor(curve, DEFAULT_OVERSAMPLING[curve], freq)
        assert whole < -90 and to_20k < -90, freq
    assert alias_floor(curve, DEFAULT_OVERSAMPLING[curve] // 2)[0] > -90  # half as much would not do


@pytest.mark.parametrize("curve", ["cubic", "hard_clip"])
def test_means_between_points_are_on_time_and_flat(curve):
    """The half point of delay and the drop of the antiderivative form are taken back by the down filter."""
    freqs = np.array([100.0, 1000.0, 5000.0, 12000.0, 19000.0])
    t = np.arange(RATE) / RATE
    x = 0.02 * np.sin(2 * np.pi * freqs[:, None] * t)
    for factor, tolerance in ((2, 0.6), (4, 0.05), (8, 0.02)):
        for row, freq in zip(x, freqs, strict=True):
            kernel = Oversampler(factor, curve_of(curve, 0), 1.0, 1.0, None, CORNERED[curve])
            y = kernel.run(row)[4000:44000]
            spin = np.exp(
                -2j * np.pi * freq * np.arange(4000 - kernel.latency_frames, 44000 - kernel.latency_frames) / RATE
            )
            slope = 1.5 if curve == "cubic" else 1.0
            found = (y * spin * np.hanning(40000)).sum() / (0.02 / 2j * np.hanning(40000).sum()) / slope
            assert 20 * np.log10(abs(found)) == pytest.approx(0, abs=tolerance), (factor, freq)
            assert np.angle(found) == pytest.approx(0, abs=1e-3), (factor, freq)


def test_more_oversampling_has_less_aliasing():
    floors = [alias_floor("tanh", factor)[0] for factor in (1, 2, 4)]
    assert floors[0] > floors[1] + 20 > floors[2] + 40


@pytest.mark.parametrize("factor", [1, 2, 4, 8])
def test_oversampling_is_transparent_for_a_straight_line(factor):
    x = noise(20000, 0.1)
    kernel = Oversampler(factor, lambda _: None, 2.0, 0.5)
    late = kernel.latency_frames
    y = kernel.run(np.concatenate([x, np.zeros(late)]))[late:]
    window = np.hanning(x.size)
    ratio = np.abs(np.fft.rfft(y * window)) / np.abs(np.fft.rfft(x * window))
    band = slice(int(20 / RATE * x.size) + 1, int(19000 / RATE * x.size))
    assert np.abs(20 * np.log10(ratio[band])).max() < 0.05


@pytest.mark.parametrize("curve", ["tanh", "arctangent", "cubic", "sine_fold", "hard_clip", "biased_tanh"])
@pytest.mark.parametrize("drive", [0, 12, 24])
def test_keep_level_keeps_the_reference_sine(curve, drive):
    x = sine(1000, 1, -12)[None]
    y = run(x, do="saturate", curve=curve, drive_db=drive, keep_level=True)
    change = 20 * np.log10(np.std(y[0, 9600:-9600]) / np.std(x[0, 9600:-9600]))
    assert change == pytest.approx(0, abs=0.5)


@pytest.mark.parametrize("tone_db", [-18, 18])
def test_keep_level_holds_in_the_corner_of_all_ranges(tone_db):
    """A folding curve, driven 48 dB: its harmonics alias, and the tilt behind the curve weighs them."""
    x = sine(1000, 1, -12)[None]
    y = run(x, do="saturate", curve="sine_fold", drive_db=48, keep_level=True, tone_db=tone_db, tone_hz=10000)
    change = 20 * np.log10(np.std(y[0, 9600:-9600]) / np.std(x[0, 9600:-9600]))
    assert change == pytest.approx(0, abs=0.1)


@pytest.mark.parametrize("tone_db", [-12, 9, 18])
@pytest.mark.parametrize("tone_hz", [300, 3000])
def test_keep_level_counts_the_tone(tone_db, tone_hz):
    x = sine(1000, 1, -12)[None]
    y = run(x, do="saturate", curve="hard_clip", drive_db=18, keep_level=True, tone_db=tone_db, tone_hz=tone_hz)
    change = 20 * np.log10(np.std(y[0, 9600:-9600]) / np.std(x[0, 9600:-9600]))
    assert change == pytest.approx(0, abs=0.1)


def test_the_tone_tilts_and_tilts_back():
    x = noise(RATE, 0.001)[None]  # so soft that the curve is straight
    y = run(x, do="saturate", curve="tanh", drive_db=0, tone_db=9)
    plain = run(x, do="saturate", curve="tanh", drive_db=0)
    assert 20 * np.log10(np.std(y) / np.std(plain)) == pytest.approx(0, abs=0.02)


@pytest.mark.parametrize(
    "numbers",
    [
        {"do": "saturate", "oversample": 1_000_000_000},
        {"do": "saturate", "drive_db": 1e6},
        {"do": "eq", "bands": [{"kind": "bell", "freq_hz": 100, "gain_db": 1}] * 100_000},
        {"do": "split", "crossovers_hz": [100.0] * 1000, "bands": [{}] * 1001},
    ],
)
def test_resource_bombs_are_refused(numbers):
    with pytest.raises(ValidationError):
        STEP.validate_python(numbers)


def test_saturation_by_bands_leaves_the_other_bands_alone():
    x = (sine(80, 1, -6) + sine(5000, 1, -30))[None]
    bands = [{"chain": [{"do": "saturate", "drive_db": 12}]}, {}]
    y = run(x, do="split", crossovers_hz=[600], bands=bands)[0]
    spectrum = np.abs(np.fft.rfft(y[:RATE] * np.hanning(RATE)))
    assert spectrum[240] > 100 * spectrum[300]  # the third harmonic of 80 Hz
    assert spectrum[5000] / np.abs(np.fft.rfft(x[0] * np.hanning(RATE)))[5000] == pytest.approx(1, abs=0.01)


def test_drums_keep_their_time_through_saturation():
    x = signal.sosfilt(signal.butter(8, 12000, fs=RATE, output="sos"), drums(RATE))[None]
    y = run(x, do="saturate", drive_db=-24, level_db=24)
    assert np.abs(y - x)[0, 100:-100].max() < 0.005
