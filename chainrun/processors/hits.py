"""hits: change the level of onset and ring of hits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from chainrun.contract import Keyed, Runner, Stream, processor
from chainrun.runtime import DynamicsRunner

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array

HELD_MS = 8.0
FULL_DB = 10.0
SILENCE = 1e-9
"""-180 dBFS, added to both followers of a pair, so that they do not differ in silence."""


@processor
class Hits(Keyed):
    """Shape the onset and the ring of hits, independent of their level.

    Two followers of the level differ in their attack: while the fast one is higher, a hit begins. Two others differ in
    their release: while the slow one is higher, a hit rings out. Each difference in dB, full at 10 dB, scales
    onset_db and ring_db. The followers scale with the signal, so their differences do not depend on its level.
    """

    do: Literal["hits"] = "hits"
    onset_db: float = Field(0.0, ge=-24, le=24, description="gain at the onset of a hit")
    ring_db: float = Field(0.0, ge=-24, le=24, description="gain while a hit rings out")
    onset_ms: float = Field(25.0, ge=1, le=200, description="length of the onset")
    ring_ms: float = Field(350.0, ge=10, le=3000, description="length of the ring")
    smooth_ms: float = Field(1.0, ge=0.1, le=50, description="time constant of the gain")
    lookahead_ms: float = Field(
        1.0, ge=0, le=20, description="starts the gain change this much before the hit; the latency is compensated"
    )

    ns_a_frame = 35.0
    example = {"onset_db": 5.0, "ring_db": -4.0}
    unity = {"onset_db": 0.0, "ring_db": 0.0}
    source = "difference of two envelope followers, common practice; followers: JAES 60(6), 2012"

    def start(self, stream: Stream) -> Runner:
        return _HitsRunner(self, stream)


class _HitsRunner(DynamicsRunner):
    def __init__(self, step: Hits, stream: Stream):
        from chainrun.dsp.ballistics import Branching, OnePole, time_constant
        from chainrun.dsp.peak_hold import PeakHold
        from chainrun.units import LOG2_PER_DB

        super().__init__(step, stream, step.lookahead_ms)
        rate, scratch = stream.rate_hz, stream.scratch()

        def follower(attack_ms: float, release_ms: float) -> Branching:
            return Branching(time_constant(attack_ms, rate), time_constant(release_ms, rate), scratch)

        self._hold = PeakHold(time_constant(HELD_MS, rate), scratch)
        self._followers = [
            follower(0.3, step.onset_ms),  # at an onset higher …
            follower(step.onset_ms, step.onset_ms),  # … than this one
            follower(0.3, step.ring_ms),  # in the ring higher …
            follower(0.3, step.ring_ms / 8.0),  # … than this one
        ]
        self._smooth = OnePole(time_constant(step.smooth_ms, rate), scratch)
        self._onset, self._ring = step.onset_db * LOG2_PER_DB, step.ring_db * LOG2_PER_DB
        self._full = FULL_DB * LOG2_PER_DB
        self._peak = self._last = 0.0
        self._levels = [0.0] * 4

    def shape(self, late: Array, sidechain: Array) -> Array:
        import numpy as np

        level = self._hold.run(self.levels(sidechain)[0], self._peak)
        self._peak = float(level[-1])
        followed = []
        for i, follower in enumerate(self._followers):
            followed.append(follower.run(level, self._levels[i]))
            self._levels[i] = float(followed[-1][-1])
            followed[-1] = np.log2(followed[-1] + SILENCE)
        onset = np.clip((followed[0] - followed[1]) / self._full, 0.0, 1.0)
        ring = np.clip((followed[2] - followed[3]) / self._full, 0.0, 1.0)
        gain = self._smooth.run(onset * self._onset + ring * self._ring, self._last)
        self._last = float(gain[-1])
        self.recorder.count(-gain, late.shape[1])
        late *= np.exp2(gain)
        return late
