"""`echo` against its twin: times, sides, tempo."""

from __future__ import annotations

import numpy as np
import pytest

import chainrun.processors  # noqa: F401
from chainrun.dsp.echo import EchoLoop
from tests.processors.acoustics import impulse
from tests.reference import loops
from tests.signals import drums, in_pieces, noise
from tests.steps import RATE, through


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
    y = through(impulse(RATE), tempo=120.0, do="echo", time_beats=0.25, feedback_pct=50)
    peaks = np.flatnonzero(np.abs(y[0]) > 0.1)
    assert peaks.tolist() == [6000, 12000, 18000, 24000]  # an eighth of a second at 120 beats/min
    assert y[0, peaks] == pytest.approx([1, 0.5, 0.25, 0.125])
    y = through(impulse(RATE), do="echo", time_ms=100, feedback_pct=50, ping_pong=True)
    assert [int(np.abs(side).argmax()) for side in y] == [4800, 9600]


def test_beats_need_a_tempo(session, chainrun):
    path = session.write('grammar = 1\n[stems.a]\nfile = "kick.wav"\nchain = [ { do = "echo", time_beats = 1 } ]\n')
    ran = chainrun("check", path)
    assert (ran.code, "needs tempo_bpm" in ran.err) == (3, True)
