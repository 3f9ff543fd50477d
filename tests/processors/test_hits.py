"""`hits` raises onsets and lowers the ring, at every level."""

from __future__ import annotations

import numpy as np

import chainrun.processors  # noqa: F401
from tests.signals import drums
from tests.steps import RATE, level_db, run_step


def test_hits_do_not_depend_on_the_level():
    x = drums(RATE, bpm=300)[None] * 0.5  # 36 dB of decay: the floor of -100 dBFS is not reached
    y, _ = run_step(x, do="hits", onset_db=6, ring_db=-6)
    softer, _ = run_step(x * 10 ** (-20 / 20), do="hits", onset_db=6, ring_db=-6)
    # The first hit comes out of silence, whose level differs between the two.
    assert np.abs(softer * 10 - y)[:, 24000:].max() < 1e-6


def test_hits_raise_the_onset_and_lower_the_ring():
    t = np.arange(RATE) / RATE
    x = (np.sin(2 * np.pi * 180 * t) * np.exp(-((t - 0.2).clip(0)) / 0.15) * (t > 0.2))[None] * 0.5
    onset, ring = slice(9600, 9600 + 480), slice(9600 + 7200, 9600 + 16800)
    y, _ = run_step(x, do="hits", onset_db=6, ring_db=0)
    assert level_db(y[0, onset]) - level_db(x[0, onset]) > 2
    assert abs(level_db(y[0, ring]) - level_db(x[0, ring])) < 0.5
    y, _ = run_step(x, do="hits", onset_db=0, ring_db=-8)
    assert level_db(y[0, ring]) - level_db(x[0, ring]) < -2
    assert abs(level_db(y[0, onset]) - level_db(x[0, onset])) < 1


def test_hits_out_of_silence_do_not_depend_on_the_level():
    t = np.arange(RATE) / RATE
    x = (np.sin(2 * np.pi * 180 * t) * np.exp(-((t - 0.2).clip(0)) / 0.1) * (t >= 0.2))[None]
    loud, _ = run_step(x, do="hits", onset_db=12, ring_db=-6)
    soft, _ = run_step(x * 0.01, do="hits", onset_db=12, ring_db=-6)
    assert np.abs(soft * 100 - loud).max() < 1e-4
