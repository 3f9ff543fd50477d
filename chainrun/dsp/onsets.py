"""Finds drum hits as rises of the energy above 300 Hz, in steps of a millisecond.

Low frequencies are left out: a booming kick rises for tens of milliseconds, and rings under everything else.
"""

from __future__ import annotations

import numpy as np
from scipy.signal import sosfilt

from chainrun.dsp.arrays import Array, IntArray
from chainrun.dsp.biquad import butterworth

LOW_CUT_HZ = 300.0
AFTER, BEFORE, GAP = 6, 25, 3
"""Steps over which the level is measured after and before a hit, and steps of gap between the two."""
RISE_DB = 6.0
"""Minimum rise of the level at a hit."""
MIN_STEPS_APART = 60
"""Minimum distance between two hits, in steps."""
MIN_LEVEL_DB = -30.0
"""Minimum level of a hit relative to the loudest hits."""


class Envelope:
    """Measures the energy above 300 Hz in steps of a millisecond, block by block."""

    def __init__(self, rate_hz: int):
        self._sections = butterworth(4, LOW_CUT_HZ, rate_hz, high=True)
        self._state = np.zeros((len(self._sections), 2))
        self._step = rate_hz / 1000.0
        self._rest = np.zeros(0)
        self._at = 0
        self._parts: list[Array] = []

    def feed(self, x: Array) -> None:
        """Take a block of shape (n_frames,)."""
        y, self._state = sosfilt(self._sections, x, zi=self._state)
        joined = np.concatenate([self._rest, y**2])
        start = self._at - self._rest.size
        first = len_so_far = sum(part.size for part in self._parts)
        last = int((start + joined.size) / self._step)
        if last > first:
            edges = np.ceil(np.arange(len_so_far, last + 1) * self._step).astype(int) - start
            self._parts.append(np.add.reduceat(joined[: edges[-1]], edges[:-1]) / np.diff(edges))
            joined = joined[edges[-1] :]
        self._rest = joined
        self._at += x.size

    def result(self) -> Array:
        """Mean energy of each whole millisecond, shape (n_steps,)."""
        return np.concatenate(self._parts) if self._parts else np.zeros(0)


def levels_after(envelope: Array) -> Array:
    """Mean energy of the AFTER steps from each step on, in dB; same shape as `envelope`."""
    sums = np.concatenate([[0.0], np.cumsum(np.concatenate([envelope, np.zeros(AFTER)]))])
    level: Array = 10.0 * np.log10(
        np.maximum(sums[AFTER:][: envelope.size] - sums[: envelope.size], 0.0) / AFTER + 1e-14
    )
    return level


def onsets(envelope: Array) -> tuple[IntArray, Array]:
    """Steps at which hits begin, ascending, and their levels in dB (mean energy of the first 6 ms)."""
    n = envelope.size
    if n < BEFORE + AFTER + GAP:
        return np.zeros(0, dtype=np.int64), np.zeros(0)
    level = levels_after(envelope)
    padded = np.concatenate([np.full(BEFORE + GAP, envelope[:3].mean()), envelope])
    sums = np.concatenate([[0.0], np.cumsum(padded)])
    before = 10.0 * np.log10((sums[BEFORE : BEFORE + n] - sums[:n]) / BEFORE + 1e-14)
    rise = level - before
    top = float(np.sort(level)[-max(1, n // 500) :].mean())
    strength = np.where((rise >= RISE_DB) & (level >= top + MIN_LEVEL_DB), rise, 0.0)
    taken = np.zeros(n, dtype=bool)
    found: list[int] = []
    candidates = np.flatnonzero(strength > 0.0)
    for at in candidates[np.argsort(-strength[candidates], kind="stable")].tolist():
        if not taken[at]:
            found.append(at)
            taken[max(0, at - MIN_STEPS_APART + 1) : at + MIN_STEPS_APART] = True
    places = np.array(sorted(found), dtype=np.int64)
    return places, level[places]
