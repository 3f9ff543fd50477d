"""Absorption and decay of a box: Eyring's formula, T = 24 ln(10) / c * V / (-S ln(1 - a)) (Kuttruff, Room Acoustics).

It stands apart from `room` because a recipe is checked with it, and checking must not cost NumPy's friends.
"""

from __future__ import annotations

import math

SPEED_OF_SOUND = 343.2
"""m/s at 20 degrees C (ISO 9613-1:1993)."""
SABINE = 24.0 * math.log(10.0) / SPEED_OF_SOUND


def decay_of(absorption: float, size_m: tuple[float, float, float]) -> float:
    """The decay time in seconds that walls of this absorption (0 … 1) give a box of this size in metres."""
    x, y, z = size_m
    surface = 2.0 * (x * y + y * z + x * z)
    return -SABINE * x * y * z / (surface * math.log1p(-absorption))
