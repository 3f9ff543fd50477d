"""Levels that can hurt ears are reported, and a quiet mix has no warning."""

from __future__ import annotations

import numpy as np
import pytest

from tests.signals import noise, sine

RATE = 48000


@pytest.mark.parametrize(
    ("stem", "said"),
    [
        (np.stack([noise(RATE * 3, 0.3)] * 2), "very loud"),
        (np.stack([sine(997, 3, -0.02)] * 2), "can clip converters"),
        (np.stack([0.05 + sine(997, 3, -40)] * 2), "dc_block"),
        (np.stack([sine(19000, 3, -20)] * 2), "above 18 kHz"),
        (np.stack([sine(10, 3, -20)] * 2), "below 15 Hz"),
    ],
)
def test_dangerous_levels_are_reported(mix, stem, said):
    _, ran = mix("bits = 32", stem=stem)
    assert any(said in warning for warning in ran.json["warnings"])


def test_a_quiet_mix_is_not_warned_about(mix):
    _, ran = mix("target_lufs = -20")
    assert not [warning for warning in ran.json["warnings"] if "caution" in warning]
