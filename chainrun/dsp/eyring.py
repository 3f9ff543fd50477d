"""Absorption and decay of a box: Eyring's formula, T = 24 ln(10) / c * V / (-S ln(1 - a)) (Kuttruff, Room Acoustics).

A module of its own, because recipes are checked with it, and a check must not import NumPy and SciPy.
"""

from __future__ import annotations

import math

SPEED_OF_SOUND = 343.2
"""m/s at 20 degrees C (ISO 9613-1:1993)."""
SABINE = 24.0 * math.log(10.0) / SPEED_OF_SOUND


def decay_of(absorption: float, size_m: tuple[float, float, float]) -> float:
    """Decay time in seconds of a box of this size in metres whose walls have this absorption (0 … 1)."""
    x, y, z = size_m
    surface = 2.0 * (x * y + y * z + x * z)
    return -SABINE * x * y * z / (surface * math.log1p(-absorption))
