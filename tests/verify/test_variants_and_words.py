"""Verdicts of variants, and words for where a change begins."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile
from scipy import signal

from chainrun.comparison.difference import difference
from tests.comparison.files import write
from tests.signals import RATE, noise
from tests.songs import JUDGED


def test_a_uniform_change_under_the_floor_passes(session, chainrun):
    """0.005 dB is a residual of -64.8 LU in every second; many seconds' readings are noisy, and none sticks out."""
    soundfile.write("kick.wav", noise(60 * 8000, 0.2), 8000, subtype="FLOAT")
    soundfile.write("snare.wav", noise(60 * 8000, 0.2, seed=3), 8000, subtype="FLOAT")
    path = session.write(JUDGED.split("[expect]")[0])
    chainrun("verify", path, "--accept")
    quiet = (("--set", "stems.kick.level_db=0.005"), ("--set", "stems.snare.level_db=0.005"))
    assert chainrun("verify", path, *quiet[0], *quiet[1]).code == 0
    assert chainrun("verify", path, "--set", "stems.kick.level_db=0.1").code == 1


def test_accepted_variants_are_verified_and_lost_ones_reported(session, chainrun):
    path = session.write(JUDGED + '[variants.softer]\n"buses.kit.level_db" = -9\n')
    for more in ((), ("--variant", "softer")):
        chainrun("verify", path, "--accept", *more)
    ran = chainrun("verify", path)
    assert (ran.code, "song (softer): passed" in ran.out) == (0, True)
    session.write(JUDGED + '[variants.softer]\n"buses.kit.level_db" = -8\n')
    ran = chainrun("verify", path, "--markdown", "m.md")
    assert (ran.code, "song (softer): failed" in ran.out) == (1, True)
    assert "mix.wav: residual" in Path("m.md").read_text() and "allowed: at most -60 LU" in Path("m.md").read_text()
    session.write(JUDGED)
    ran = chainrun("verify", path)
    assert (ran.code, "there is no such variant" in ran.err) == (3, True)


def test_a_shelf_is_named_where_it_begins(tmp_path):
    x = noise(10 * RATE, 0.1, seed=4)
    y = x.copy()
    high = signal.sosfilt(signal.butter(4, 4500, "highpass", fs=RATE, output="sos"), x)
    y[7 * RATE :] += 0.35 * high[7 * RATE :]
    found = difference(
        write(tmp_path / "a.wav", np.stack([x, x])), write(tmp_path / "b.wav", np.stack([y, y])), match=False
    )
    assert "kHz up, by up to +" in found.sentence() and "from 0:07 on" in found.sentence()
