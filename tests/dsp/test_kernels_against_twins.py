"""Every fast kernel agrees with its slow twin to 1e-9, over any block border."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.linalg import solveh_banded

from chainrun.dsp.ballistics import Branching, Decoupled, OnePole, time_constant
from chainrun.dsp.biquad import bell, butterworth, high_shelf
from chainrun.dsp.cascade import Cascade
from chainrun.dsp.compression import Ballistics, SideChain, SideState
from chainrun.dsp.convolution import Convolver
from chainrun.dsp.declip import _band, prediction
from chainrun.dsp.gain_computer import DownwardCurve
from chainrun.dsp.gating import GateDetector, GateGain, GateState
from chainrun.dsp.limiting import LimiterKernel
from chainrun.dsp.sliding import sliding_max, sliding_mean
from chainrun.dsp.true_peak import Interpolator
from chainrun.units import LOG2_PER_DB
from tests.reference import loops
from tests.signals import hostile, in_pieces

RATE = 48000

signals = st.sampled_from(sorted(hostile()))

sizes = st.lists(st.integers(1, 3000), min_size=1, max_size=5)

attacks = st.floats(0.0, 200.0)

releases = st.floats(0.1, 3000.0)

few = settings(max_examples=40, deadline=None)


def chosen(name):
    return hostile(4000)[name]


@few
@given(signals, st.floats(0.0, 500.0), sizes)
def test_one_pole(name, ms, cuts):
    x, a = chosen(name), time_constant(ms, RATE)
    kernel, y, last = OnePole(a), [], 0.3
    for (piece,) in in_pieces(x[None], cuts):
        y.append(kernel.run(piece, last))
        last = y[-1][-1]
    assert np.abs(np.concatenate(y) - loops.one_pole(x, a, 0.3)).max() <= 1e-9


@few
@given(signals, attacks, releases, sizes)
def test_branching_smoother(name, attack_ms, release_ms, cuts):
    x = np.abs(chosen(name)) * 40
    attack, release = time_constant(attack_ms, RATE), time_constant(release_ms, RATE)
    kernel, y, last = Branching(attack, release), [], 1.5
    for (piece,) in in_pieces(x[None], cuts):
        y.append(kernel.run(piece, last))
        last = y[-1][-1]
    assert np.abs(np.concatenate(y) - loops.branching(x, attack, release, 1.5)).max() <= 1e-9


@few
@given(signals, attacks, releases, sizes)
def test_branching_smoother_on_sparse_values(name, attack_ms, release_ms, cuts):
    x = np.maximum(0.0, np.abs(chosen(name)) - 0.3) * 40
    attack, release = time_constant(attack_ms, RATE), time_constant(release_ms, RATE)
    kernel, y, last = Branching(attack, release), [], 0.0
    for (piece,) in in_pieces(x[None], cuts):
        where = np.flatnonzero(piece > 0)
        y.append(kernel.run_sparse(piece[where], where, piece.size, last))
        last = y[-1][-1]
    assert np.abs(np.concatenate(y) - loops.branching(x, attack, release, 0.0)).max() <= 1e-9


@few
@given(signals, attacks, releases, sizes)
def test_decoupled_smoother(name, attack_ms, release_ms, cuts):
    x = np.abs(chosen(name)) * 40
    attack, release = time_constant(attack_ms, RATE), time_constant(release_ms, RATE)
    kernel, y, state = Decoupled(attack, release), [], (2.0, 1.0)
    for (piece,) in in_pieces(x[None], cuts):
        out, state = kernel.run(piece, state)
        y.append(out)
    assert np.abs(np.concatenate(y) - loops.decoupled(x, attack, release, 2.0, 1.0)).max() <= 1e-9


@few
@given(signals, st.floats(-60, 0), st.floats(1, 20), st.floats(0, 24), attacks, releases, sizes)
def test_compressor_side_chain(name, threshold, ratio, knee, attack_ms, release_ms, cuts):
    x = np.abs(chosen(name))
    chain = SideChain(DownwardCurve(threshold, ratio, knee), Ballistics(attack_ms, release_ms), RATE)
    gain, last = [], SideState()
    for (piece,) in in_pieces(x[None], cuts):
        reduction, last = chain.run(piece, last)
        gain.append(np.zeros(piece.size) if reduction is None else -reduction / LOG2_PER_DB)
    expected = loops.compressor_gain_db(
        x, threshold, ratio, knee, time_constant(attack_ms, RATE), time_constant(release_ms, RATE)
    )
    assert np.abs(np.concatenate(gain) - expected).max() <= 1e-9


@few
@given(
    signals,
    st.floats(-60, -1),
    st.floats(0, 20),
    st.floats(0.5, 20),
    st.integers(0, 900),
    st.floats(0.01, 50),
    st.floats(0.1, 500),
    sizes,
)
def test_gate(name, threshold, hysteresis, window_ms, hold, attack_ms, release_ms, cuts):
    x = np.abs(chosen(name))
    opening, closing = 10 ** (threshold / 20), 10 ** ((threshold - hysteresis) / 20)
    decay = time_constant(window_ms, RATE)
    attack, release = time_constant(attack_ms, RATE), time_constant(release_ms, RATE)
    detector = GateDetector(opening, closing, decay, hold)
    closed = -60.0 * LOG2_PER_DB
    gain = GateGain(closed, attack, release)
    state, found = GateState(False, -1, closed), []
    for (piece,) in in_pieces(x[None], cuts):
        events, is_open, until = detector.run(piece, state)
        log2_gain, factor, last = gain.run(events, piece.size, state.is_open, state.gain)
        assert np.abs(np.exp2(log2_gain) - factor).max() < 1e-9
        state = GateState(is_open, until, last)
        found.append(log2_gain / LOG2_PER_DB)
    expected = loops.gate_gain_db(x, opening, closing, decay, hold, 60.0, attack, release)
    assert np.abs(np.concatenate(found) - expected).max() <= 2e-9  # the settled gain is within 1e-9 dB


@few
@given(signals, st.floats(-30, -0.1), st.integers(1, 120), st.integers(0, 200), releases, sizes)
def test_limiter(name, ceiling_db, lookahead, hold, release_ms, cuts):
    x = np.stack([chosen(name), 0.5 * chosen(name)[::-1]])[:, :1500]
    release = time_constant(release_ms, RATE)
    kernel = LimiterKernel(ceiling_db, lookahead, hold, release)
    state, y = kernel.start_state(2), []
    for piece in in_pieces(x, cuts):
        out, _, state = kernel.run(piece, state)
        y.append(out)
    expected, _ = loops.limiter(x, 10 ** (ceiling_db / 20), lookahead, hold, release)
    assert np.abs(np.concatenate(y, axis=1) - expected).max() <= 1e-9


def test_cascade_of_second_order_sections():
    sections = np.concatenate(
        [
            butterworth(4, 60.0, RATE, high=True),
            bell(900, 6, 1.2, RATE)[None],
            high_shelf(7000, -4, 0.7, RATE)[None],
        ]
    )
    for name, x in hostile(3000).items():
        kernel = Cascade(sections)
        state, y = kernel.start_state(1), []
        for piece in in_pieces(x[None], [1700, 1, 64, 1024]):
            out, state = kernel.run(piece, state)
            y.append(out[0])
        assert np.abs(np.concatenate(y) - loops.biquads(x, sections)).max() <= 1e-9, name


@pytest.mark.parametrize("width", [1, 2, 3, 64, 65, 200])
def test_sliding_maximum_and_mean(width):
    x = np.abs(hostile(900)["noise"])
    assert np.array_equal(sliding_max(x, width), loops.sliding_max(x, width))
    means = np.array([x[n : n + width].mean() for n in range(x.size - width + 1)])
    assert np.abs(sliding_mean(x, width) - means).max() <= 1e-12


@pytest.mark.parametrize("name", sorted(hostile()))
@pytest.mark.parametrize("factor", [4, 16])
def test_true_peak_interpolator(name, factor):
    x = hostile(2000)[name]
    between = Interpolator(factor)
    padded = np.concatenate([np.zeros(between.half_taps), x, np.zeros(between.half_taps)])
    expected = loops.between_samples(x, factor, between.half_taps, 6.5)
    assert between.maximum(padded, 0.0) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("rate", [8000, 48000, 192000])
@pytest.mark.parametrize(("order", "freq"), [(1, 30.0), (8, 10.0), (16, 10.0), (16, 3000.0)])
def test_cascade_agrees_with_scipy_where_poles_crowd(rate, order, freq):
    """Steep low cuts put all poles close to z = 1, where states are large: scipy.signal.sosfilt is the judge."""
    from scipy.signal import sosfilt

    sections = np.concatenate([butterworth(order, freq, rate, high=True), bell(40.0, 12.0, 20.0, rate)[None]])
    x = hostile(40000)["noise"]
    kernel = Cascade(sections)
    state, y = kernel.start_state(1), []
    for piece in in_pieces(x[None], [20000, 1024, 5000]):
        out, state = kernel.run(piece, state)
        y.append(out[0])
    assert np.abs(np.concatenate(y) - sosfilt(sections, x)).max() <= 1e-9


@few
@given(signals, st.integers(1, 300), st.integers(16, 200), sizes)
def test_partitioned_convolution(name, length, partition, cuts):
    x = chosen(name)[:1500]
    response = np.random.default_rng(length).standard_normal((2, length))
    kernel, parts = Convolver(response, partition), []
    late = kernel.latency_frames
    for (piece,) in in_pieces(np.concatenate([x, np.zeros(late)])[None], cuts):
        parts.append(kernel.run(piece))
    y = np.concatenate(parts, axis=1)[:, late:]
    for row, taps in zip(y, response, strict=True):
        assert np.abs(row - loops.convolve(x, taps)).max() <= 1e-9 * max(1, np.abs(x).max()) * length


def test_declips_least_squares():
    rng = np.random.default_rng(5)
    x = rng.standard_normal(200)
    a, left = prediction(x, 6)
    products = loops.prediction_products(x, 6)
    assert left * products[0, 0] == pytest.approx(a @ products @ a, rel=1e-9)
    free = np.linalg.solve(products[1:, 1:], -products[1:, 0])
    assert a[1:] == pytest.approx(free, abs=1e-7)
    for where in ([0, 1, 2, 50, 51, 80], [3, 60, 61, 62, 63, 197, 198, 199]):
        where = np.array(where)
        right = -np.convolve(np.convolve(np.where(np.isin(np.arange(200), where), 0, x), a, "valid"), a[::-1])[where]
        solved = solveh_banded(_band(where, a, 200), right, lower=True)
        assert solved == pytest.approx(loops.missing_samples(x, where, a), rel=1e-6, abs=1e-6)
