"""The side chain of a compressor: level, static curve, smoother; feed-forward, in the log domain.

The smoother works on the reduction, after the gain computer, as Giannoulis, Massberg and Reiss recommend
(JAES 60(6), 2012, sections 2-3; from memory). Logarithm, curve and smoother run only on the frames above the
knee's foot: elsewhere the reduction that is asked for is 0.

Detection behind the gain (feedback) is not offered: each frame's level then depends on the frame before through a
logarithm and a knee, which leaves neither a closed form nor a linear recurrence, and a loop over samples is no option.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from chainrun.dsp.adaptive import CrestFactor, branching_with, release_coefficients
from chainrun.dsp.arrays import Array, IntArray
from chainrun.dsp.ballistics import Branching, Decoupled, time_constant
from chainrun.dsp.gain_computer import DownwardCurve
from chainrun.dsp.scratch import Scratch

SPARSE_SHARE = 0.4
"""Above this share of frames over the foot the dense form is cheaper."""

NOTHING = 1e-12
"""A reduction below this (log2 units) counts as none."""


@dataclass(frozen=True)
class Ballistics:
    """How the reduction moves.

    `slow_share` of it may release with `slow_release_ms` in place of `release_ms`: a fast part that gives way to a slow
    one. `adaptive` lets the crest factor shorten the release.
    """

    attack_ms: float
    release_ms: float
    decoupled: bool = False
    slow_share: float = 0.0
    slow_release_ms: float = 0.0
    adaptive: bool = False


@dataclass(frozen=True)
class SideState:
    """What one detector carries on: values of the smoothers, and of the crest factor."""

    fast: tuple[float, float] = (0.0, 0.0)
    slow: tuple[float, float] = (0.0, 0.0)
    crest: tuple[float, float] = (0.0, 0.0)

    @property
    def idle(self) -> bool:
        """Whether nothing is being reduced any more."""
        return max(*self.fast, *self.slow) < NOTHING


class SideChain:
    """Reduction over time of one detector, in log2 units."""

    def __init__(self, curve: DownwardCurve, ballistics: Ballistics, rate_hz: int, scratch: Scratch | None = None):
        self.curve, self._ballistics, self._rate_hz = curve, ballistics, rate_hz
        self._foot = curve.foot
        scratch = scratch or Scratch()
        self._attack = time_constant(ballistics.attack_ms, rate_hz)
        self._crest = CrestFactor(rate_hz, scratch) if ballistics.adaptive else None
        kind = Decoupled if ballistics.decoupled else Branching
        self._fast = kind(self._attack, time_constant(ballistics.release_ms, rate_hz), scratch)
        self._slow = (
            kind(self._attack, time_constant(ballistics.slow_release_ms, rate_hz), scratch)
            if ballistics.slow_share > 0.0
            else None
        )

    def run(self, level: Array, state: SideState) -> tuple[Array | None, SideState]:
        """Reduction for a level of shape (n_frames,), a new array; None where there is none in the whole block."""
        crest, crest_state = None, state.crest
        if self._crest is not None:
            crest, crest_state = self._crest.run(level, state.crest)
        where = np.flatnonzero(level > self._foot)
        if level.size == 0 or (where.size == 0 and state.idle):
            return None, SideState(crest=crest_state)
        n = level.size
        if crest is not None:
            wanted = self.curve.reduction(np.maximum(level, self._foot))
            release = release_coefficients(
                crest, self._ballistics.attack_ms, self._ballistics.release_ms, self._rate_hz
            )
            reduction = branching_with(wanted, self._attack, release, state.fast[0])
            return reduction, SideState((float(reduction[-1]), 0.0), (0.0, 0.0), crest_state)
        sparse = where if where.size < SPARSE_SHARE * n and not self._ballistics.decoupled else None
        sidechain = np.take(level, where) if sparse is not None else np.maximum(level, self._foot)
        wanted = self.curve.reduction(sidechain)
        reduction, fast = _smooth(self._fast, wanted, sparse, n, state.fast)
        if self._slow is None:
            return reduction, SideState(fast)
        tail, slow = _smooth(self._slow, wanted, sparse, n, state.slow)
        share = self._ballistics.slow_share
        reduction *= 1.0 - share
        tail *= share
        reduction += tail
        return reduction, SideState(fast, slow)


def _smooth(
    smoother: Branching | Decoupled, wanted: Array, where: IntArray | None, n: int, state: tuple[float, float]
) -> tuple[Array, tuple[float, float]]:
    if isinstance(smoother, Decoupled):
        return smoother.run(wanted, state)
    y = smoother.run(wanted, state[0]) if where is None else smoother.run_sparse(wanted, where, n, state[0])
    return y, (float(y[-1]), 0.0)
