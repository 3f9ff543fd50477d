"""The varying release and the peak hold agree with their slow twins."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

import chainrun.processors  # noqa: F401
from chainrun.dsp.adaptive import branching_with
from chainrun.dsp.ballistics import time_constant
from chainrun.dsp.peak_hold import PeakHold
from tests.signals import hostile, in_pieces
from tests.steps import RATE


@settings(max_examples=25, deadline=None)
@given(st.sampled_from(sorted(hostile())), st.floats(0, 50), st.lists(st.integers(1, 2500), min_size=1, max_size=4))
def test_varying_release_against_its_twin(name, attack_ms, cuts):
    x = np.abs(hostile(3000)[name]) * 20
    attack = time_constant(attack_ms, RATE)
    release = np.exp(-1 / (48 * np.linspace(5, 800, x.size)))
    expected, y = np.empty(x.size), 0.7
    for n, value in enumerate(x):
        c = attack if value > y else release[n]
        y = c * y + (1 - c) * value
        expected[n] = y
    found, at = [], 0
    for (piece,) in in_pieces(x[None], cuts):
        last = found[-1][-1] if found else 0.7
        found.append(branching_with(piece, attack, release[at : at + piece.size], float(last)))
        at += piece.size
    assert np.abs(np.concatenate(found) - expected).max() <= 1e-9


@settings(max_examples=25, deadline=None)
@given(st.sampled_from(sorted(hostile())), st.floats(0.01, 900), st.lists(st.integers(1, 2500), min_size=1, max_size=4))
def test_peak_hold_against_its_twin(name, ms, cuts):
    x, decay = np.abs(hostile(3000)[name]), time_constant(ms, RATE)
    expected, held = np.empty(x.size), 0.2
    for n, value in enumerate(x):
        held = max(value, decay * held)
        expected[n] = held
    kernel, found, last = PeakHold(decay), [], 0.2
    for (piece,) in in_pieces(x[None], cuts):
        found.append(kernel.run(piece, last))
        last = float(found[-1][-1])
    assert np.abs(np.concatenate(found) - expected).max() <= 1e-12
