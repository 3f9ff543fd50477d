"""Gate computed from its events: when it opens, when it closes, and the gain between.

The detector holds a peak, which falls by the factor `decay` per frame. The gate opens at the first frame at or above
the opening threshold; it closes once the held peak has been below the closing threshold for more than `hold` frames.
A peak p at frame k keeps the held peak at or above the closing threshold c up to frame
k + floor(log(p / c) / -log(decay)), so the events follow from the frames above c alone.
The gain in dB approaches its target (0 dB or -range) as a one-pole, with the attack or the release.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from chainrun.dsp.arrays import Array, IntArray

SETTLED = 1.6e-10
"""Distance to the target (log2 units, 1e-9 dB) at which the gain counts as arrived."""

FEW_GAPS = 48
"""Up to this many gaps are examined one by one; more of them as arrays."""


@dataclass(frozen=True)
class GateState:
    """State of a gate between blocks."""

    is_open: bool
    until: int
    """Last frame up to which it stays open, counted from the next block's first."""
    gain: float
    """log2 of the gain."""


@dataclass(frozen=True)
class GateEvent:
    """Opening or closing of the gate: from `frame` on it is open, or closed."""

    frame: int
    is_open: bool


class GateDetector:
    """Finds the events of a level. Thresholds are amplitudes; a `decay` of 0 holds no peak (for an RMS level)."""

    def __init__(self, open_at: float, close_at: float, decay: float, hold_frames: int):
        self.open_at, self.close_at, self.hold = open_at, min(close_at, open_at), hold_frames
        self._frames_per_octave = -1.0 / math.log2(decay) if decay > 0.0 else 0.0

    def run(self, level: Array, state: GateState) -> tuple[list[GateEvent], bool, int]:
        """Events of a level of shape (n_frames,), and `is_open` and `until` after the block."""
        n = level.size
        above = np.flatnonzero(level >= self.close_at)
        breaks, ends, last_end = self._gaps(level, above)
        events: list[GateEvent] = []
        is_open, until = state.is_open, state.until
        if above.size == 0:
            if is_open and until < n - 1:
                events.append(GateEvent(max(0, until + 1), False))
                is_open = False
            return events, is_open, until - n
        openers = above[level[above] >= self.open_at]
        starts = [0, *(int(b) for b in breaks)]
        for part, first in enumerate(starts):
            begin = int(above[first])
            last = part == len(starts) - 1
            stop = n if last else int(above[starts[part + 1]])
            end = last_end if last else int(ends[part])
            if is_open and begin > until + 1:
                events.append(GateEvent(max(0, until + 1), False))
                is_open = False
            if not is_open:
                at = int(np.searchsorted(openers, begin))
                if at < openers.size and openers[at] < stop:
                    events.append(GateEvent(int(openers[at]), True))
                    is_open = True
                    until = end
            else:
                until = max(until, end)
        if is_open and until < n - 1:
            events.append(GateEvent(until + 1, False))
            is_open = False
        return events, is_open, until - n

    def _reach(self, level: Array, at: IntArray) -> IntArray:
        """Last frame up to which each of these frames keeps the gate open."""
        if self._frames_per_octave == 0.0:
            return at + self.hold
        octaves = np.log2(level[at] / self.close_at)
        return at + self.hold + np.floor(octaves * self._frames_per_octave).astype(np.int64)

    def _gaps(self, level: Array, above: IntArray) -> tuple[IntArray, IntArray, int]:
        """Indices into `above` that begin a new stretch, the end of the stretch before each, and the last end."""
        none = np.empty(0, dtype=np.int64)
        if above.size == 0:
            return none, none, -1
        wide = np.flatnonzero(np.diff(above) > self.hold + 1) + 1
        if wide.size > FEW_GAPS:
            reach = np.maximum.accumulate(self._reach(level, above))
            breaks = wide[above[wide] > reach[wide - 1] + 1]
            return breaks, reach[breaks - 1], int(reach[-1])
        longest = self.hold
        if self._frames_per_octave:
            peak = float(level.max())
            longest += int(max(0.0, math.log2(peak / self.close_at)) * self._frames_per_octave) + 1
        found: list[int] = []
        ends: list[int] = []
        end = -1
        for stop in [*(int(w) for w in wide), above.size]:
            begin = int(np.searchsorted(above, above[stop - 1] - longest))
            end = max(end, int(self._reach(level, above[begin:stop]).max()))
            if stop < above.size and above[stop] > end + 1:
                found.append(stop)
                ends.append(end)
        return np.array(found, dtype=np.int64), np.array(ends, dtype=np.int64), end


class GateGain:
    """Computes the gain over time from a list of events, in log2 units and as a factor."""

    def __init__(self, closed_log2: float, attack: float, release: float):
        self.closed = closed_log2
        self._coefficient = {True: attack, False: release}
        self._tables: dict[bool, Array] = {True: np.empty(0), False: np.empty(0)}

    def run(self, events: list[GateEvent], n_frames: int, was_open: bool, gain: float) -> tuple[Array, Array, float]:
        """Return log2 of the gain and the gain, each of shape (n_frames,), and log2 of the gain at the end."""
        log2_gain, factor = np.empty(n_frames), np.empty(n_frames)
        borders = [0, *(event.frame for event in events), n_frames]
        states = [was_open, *(event.is_open for event in events)]
        for is_open, begin, end in zip(states, borders, borders[1:], strict=False):
            gain = self._stretch(is_open, gain, log2_gain[begin:end], factor[begin:end])
        return log2_gain, factor, gain

    def _stretch(self, is_open: bool, gain: float, log2_gain: Array, factor: Array) -> float:
        n = log2_gain.size
        if n == 0:
            return gain
        target = 0.0 if is_open else self.closed
        away = gain - target
        c = self._coefficient[is_open]
        moving = 0
        if abs(away) > SETTLED and c > 0.0:
            moving = min(n, math.ceil(math.log(SETTLED / abs(away)) / math.log(c)))
            curve = log2_gain[:moving]
            np.multiply(self._powers(is_open, c, moving), away, out=curve)
            curve += target
            np.exp2(curve, out=factor[:moving])
        log2_gain[moving:] = target
        factor[moving:] = 2.0**target
        return float(log2_gain[-1])

    def _powers(self, which: bool, c: float, n: int) -> Array:
        if self._tables[which].size < n:
            self._tables[which] = c ** np.arange(1.0, 2.0 * n)
        return self._tables[which][:n]
