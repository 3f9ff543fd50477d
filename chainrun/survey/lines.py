"""Compares a line signal with the microphone of its amplifier, over the whole sound instead of single hits."""

from __future__ import annotations

import numpy as np

from chainrun.dsp.arrays import Array
from chainrun.dsp.arrival import arrival


def line_and_amplifier(line: Array, amplifier: Array, rate_hz: int) -> tuple[float, bool, float] | None:
    """Arrival of a line signal at its amplifier's microphone: delay in frames, inverted or not, confidence (0 to 1).

    None if the two are too short to compare in stretches of a third of a second.
    """
    size, max_frames = rate_hz // 3, rate_hz // 40
    n = min(line.size, amplifier.size)
    begins = np.arange(max_frames, n - size - max_frames, size)
    if begins.size < 3:
        return None
    a = np.stack([line[at : at + size] for at in begins])
    b = np.stack([amplifier[at - max_frames : at + size + max_frames] for at in begins])
    loud = np.argsort(-np.sum(a**2, axis=1), kind="stable")[:60]
    found = arrival(a[loud], b[loud], rate_hz, max_frames, (100.0, 4000.0))
    return (found.delay_frames, found.inverted, found.confidence) if found is not None else None
