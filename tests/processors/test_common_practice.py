"""Compressors on the demo kit meet the expectations of common practice."""

from __future__ import annotations

import numpy as np

import chainrun.processors  # noqa: F401
from tests.signals import ROOT
from tests.steps import RATE, run_step


def test_a_gentle_bus_compressor_reads_2_to_3_db(kit):
    # common practice
    _, runner = run_step(kit, do="compressor", threshold_dbfs=-16, ratio=2.5, knee_db=8, attack_ms=12, release_ms=150)
    assert 2 <= runner.readings()[0].gain_reduction_max_db <= 3


def test_a_shorter_attack_lowers_the_crest_of_the_kick(kit):
    """common practice: 12 -> 4 ms takes the edge from hits whose peak comes some milliseconds after their onset.

    The kick's does, after 5 ms. The snare's crack is over in the first millisecond, before either attack acts.
    """
    import json

    truth = json.loads((ROOT / "fixtures" / "tithe-barn" / "truth.json").read_text())
    crests = []
    for attack in (12, 4):
        y, _ = run_step(kit, do="compressor", threshold_dbfs=-28, ratio=2.5, knee_db=4, attack_ms=attack, release_ms=60)
        hits = [
            y[:, int(s * RATE) - 480 : int((s + 0.3) * RATE)]
            for s, strength in truth["hits_s"]["kick"]
            if strength > 0.6
        ]
        crests.append(np.mean([20 * np.log10(np.abs(hit).max() / np.sqrt(np.mean(hit**2))) for hit in hits]))
    assert crests[1] < crests[0] - 0.3
