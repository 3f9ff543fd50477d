"""Gains: pan laws for a mono signal, balance for a stereo one, rides and stretches over time.

Constant power, linear and the compromise between them: Roads, The Computer Music Tutorial, 1996.
"""

from __future__ import annotations

import math

import numpy as np

from chainrun.dsp.arrays import Array


def pan_gains(pan_pct: float, law_db: float) -> tuple[float, float]:
    """Left and right gain of a mono signal at -100 (left) … 100 (right), with a centre of -3, -4.5 or -6 dB.

    Raises ValueError for any other law.
    """
    p = (pan_pct + 100.0) / 200.0
    power = (math.cos(p * math.pi / 2.0), math.sin(p * math.pi / 2.0))
    linear = (1.0 - p, p)
    if law_db == -3.0:
        left, right = power
    elif law_db == -6.0:
        left, right = linear
    elif law_db == -4.5:
        left, right = (math.sqrt(a * max(0.0, b)) for a, b in zip(linear, power, strict=True))
    else:
        raise ValueError(f"a pan law is -3, -4.5 or -6 dB, not {law_db}")
    return left, right


def balance_gains(pan_pct: float) -> tuple[float, float]:
    """Left and right gain of a stereo signal: 0 dB at the centre; only the far side is reduced, by cos(p pi / 2)."""
    far = math.cos(abs(pan_pct) / 100.0 * math.pi / 2.0)
    far = 0.0 if abs(pan_pct) == 100.0 else far
    return (1.0, far) if pan_pct < 0.0 else (far, 1.0)


def to_stereo(x: Array, law_db: float) -> Array:
    """Copy a mono block to both sides at the pan law's centre level; return a stereo block as it is."""
    if x.shape[0] == 2:
        return x
    left, right = pan_gains(0.0, law_db)
    return np.concatenate([x * left, x * right])


def ride_gain(points_db: list[tuple[float, float]], start_frame: int, n_frames: int, rate_hz: int) -> Array:
    """Gain factor of a ride at each frame: (seconds, dB) points, linear in dB between them, constant outside."""
    times = np.array([seconds for seconds, _ in points_db]) * rate_hz
    levels = np.array([db for _, db in points_db])
    frames = np.arange(start_frame, start_frame + n_frames, dtype=np.float64)
    gain: Array = np.exp2(np.interp(frames, times, levels) * (math.log2(10.0) / 20.0))
    return gain


def stretches_gain(
    stretches_s: list[tuple[float, float]],
    start_frame: int,
    n_frames: int,
    rate_hz: int,
    fade_s: float = 0.01,
) -> Array:
    """Gain factor at each frame: 1 inside the stretches (from, to in seconds), 0 outside.

    Raised-cosine fades of at most `fade_s` are inside the stretches, at both ends.
    """
    seconds = np.arange(start_frame, start_frame + n_frames, dtype=np.float64) / rate_hz
    gain = np.zeros(n_frames)
    for begin, end in stretches_s:
        fade = max(1e-9, min(fade_s, (end - begin) / 2.0))
        # A stretch that starts with the session needs no fade there.
        rise = np.ones(n_frames) if begin <= 0.0 else np.clip((seconds - begin) / fade, 0.0, 1.0)
        fall = np.clip((end - seconds) / fade, 0.0, 1.0)
        shape = np.minimum(rise, fall)
        np.maximum(gain, 0.5 - 0.5 * np.cos(np.pi * shape), out=gain)
    return gain
