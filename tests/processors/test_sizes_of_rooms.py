"""Rooms of every size have the decay that is asked; impossible ones are refused."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

import chainrun.processors  # noqa: F401
from chainrun.dsp.room_decay import OCTAVES_HZ
from tests.processors.acoustics import decay_times
from tests.steps import RATE, STEP


@pytest.mark.parametrize(
    "room",
    [
        {"width_m": 30, "depth_m": 3, "height_m": 4},
        {"width_m": 30, "depth_m": 3, "height_m": 4, "distance_m": 0.5, "seed": 59},
        {"width_m": 30, "depth_m": 30, "height_m": 10},
        {"width_m": 60, "depth_m": 60, "height_m": 30},
        {"width_m": 1, "depth_m": 1, "height_m": 1},
    ],
)
@pytest.mark.parametrize("decay", [0.2, 0.5])
def test_decay_holds_in_long_large_and_tiny_rooms(room, decay):
    step = STEP.validate_python({"do": "room", "decay_s": decay, **room})
    for response in step.impulse_responses(RATE, 1)[0]:
        for freq in OCTAVES_HZ:
            assert decay_times(response, freq) == pytest.approx([decay, decay], rel=0.05), freq


@pytest.mark.parametrize(
    "numbers",
    [
        {"do": "room", "decay_s": 1e6},
        {"do": "room", "decay_s": [0.4] * 7 + [1e6]},
        {"do": "fade", "in_to_s": 2, "out_from_s": 1, "out_to_s": 3},
        {"do": "room", "width_m": 1e9},
        {"do": "room", "source_m": [1, 1, 9], "microphone_m": [1, 1, 1]},
        {"do": "room", "distance_m": 20},
        {"do": "room", "width_m": 60, "depth_m": 60, "height_m": 30, "absorption_pct": 0.5},
        {"do": "echo", "time_ms": 100, "feedback_pct": 100},
        {"do": "hum", "harmonics": 100000},
        {"do": "convolve", "file": "x.wav", "max_length_s": 7200},
    ],
)
def test_impossible_rooms_are_refused(numbers):
    with pytest.raises(ValidationError):
        STEP.validate_python(numbers)
