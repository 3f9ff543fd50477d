"""Sounds for the survey: single files, folders, and odd ones."""

from __future__ import annotations

import numpy as np
import soundfile

from chainrun.survey.alone import FileListener
from tests.signals import ROOT, noise

DEMO = ROOT / "fixtures" / "tithe-barn"
RATE = 48000


# -- one file alone --------------------------------------------------------------------------------------------


def alone(x, rate=RATE, full_scale=1 - 1e-5, sizes=(5000, 131072, 77)):
    listener = FileListener(rate, full_scale)
    at, k = 0, 0
    while at < x.size:
        listener.feed(x[at : at + sizes[k % len(sizes)]])
        at, k = at + sizes[k % len(sizes)], k + 1
    return listener.result()


def files(folder, sounds):
    for name, x in sounds.items():
        soundfile.write(folder / f"{name}.wav", x, RATE, subtype="PCM_24")
    return folder


CASES = {
    "silence": {"kick": np.zeros(RATE), "over_left": np.zeros(RATE)},
    "one frame": {"kick": np.array([0.5]), "snare": np.array([0.1])},
    "one stem": {"kick": noise(RATE, 0.1)},
    "no common source": {f"track_{k}": noise(2 * RATE, 0.1, seed=k) for k in range(3)},
    "forty stems": {f"mic {k:02}": noise(24000, 0.1, seed=k) for k in range(40)},
    "unrelated": {"kick": noise(RATE, 0.1), "snare": noise(RATE // 2, 0.1, seed=1), "oh_l": noise(RATE, 0.1, seed=2)},
}
