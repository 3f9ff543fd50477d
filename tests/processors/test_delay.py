"""`delay` delays by its setting, in samples, milliseconds or metres."""

from __future__ import annotations

import numpy as np
import pytest

import chainrun.processors  # noqa: F401
from chainrun.contract import Stream
from chainrun.runtime import ChainRunner
from chainrun.units import speed_of_sound
from tests.signals import sine
from tests.steps import RATE, STEP


@pytest.mark.parametrize(
    "time", [{"time_samples": 7.5}, {"time_samples": 100.25}, {"time_ms": 3.0}, {"distance_m": 1.0}]
)
def test_delay_step_delays_by_what_it_says(time):
    step = STEP.validate_python({"do": "delay", **time})
    chain = ChainRunner([step], Stream(RATE, 1))
    x = sine(1000, 0.2, 0)
    y = chain.run(np.concatenate([x, np.zeros(chain.latency_frames)])[None], {})[0, chain.latency_frames :]
    frames = step.delay_frames(RATE)
    expected = np.sin(2 * np.pi * 1000 * (np.arange(x.size) - frames) / RATE)
    assert np.abs(y - expected)[2000:-2000].max() < 1e-4


def test_speed_of_sound():
    # ISO 9613-1:1993 at 0, 10, 15, 20, 25, 30 degrees C.
    assert [speed_of_sound(t) for t in (0, 10, 15, 20, 25, 30)] == pytest.approx(
        [331.286, 337.296, 340.261, 343.200, 346.114, 349.005], abs=1e-3
    )
