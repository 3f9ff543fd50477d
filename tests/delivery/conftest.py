"""Renders recipes of one stem with lines of their own in the delivery."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from tests.signals import drums

RATE = 48000


@pytest.fixture
def mix(session, chainrun):
    """Renders a recipe of one stem with these lines in its delivery; returns the delivery's record and the run."""

    def render(lines, file="mix.wav", stem=None, more=""):
        x = stem if stem is not None else np.stack([drums(RATE * 6, seed=1), drums(RATE * 6, seed=2)]) * 0.3
        soundfile.write("stem.wav", x.T, RATE, subtype="PCM_24")
        path = session.write(
            f'grammar = 1\n[stems.a]\nfile = "stem.wav"\n{more}\n[[deliver]]\nfile = "{file}"\n{lines}\n'
        )
        ran = chainrun("render", path, "-o", "out", "--json")
        return (ran.json["deliveries"][0] if ran.code in (0, 1) else None), ran

    return render
