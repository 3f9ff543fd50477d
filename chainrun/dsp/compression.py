"""Side chain of a compressor: static curve, then smoother; feed-forward, in the log domain.

The smoother works on the reduction, after the gain computer, as Giannoulis, Massberg and Reiss recommend
(JAES 60(6), 2012). Logarithm, curve and smoother run only on the frames above the lower end of the knee: elsewhere the
curve asks for no reduction.

Detection after the gain (feedback) is not offered: each frame's level would depend on the frame before through a
logarithm and a knee, which leaves neither a closed form nor a linear recurrence, and a loop over samples is too slow.
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
"""If more than this share of the frames is above the knee's lower end, the dense form is cheaper."""

NOTHING = 1e-12
"""A reduction below this (log2 units) counts as zero."""


@dataclass(frozen=True)
class Ballistics:
    """Attack and release of the reduction.

    `slow_share` (0 … 1) of the reduction releases with `slow_release_ms` in place of `release_ms`. `adaptive` lets the
    crest factor shorten the release.
    """

    attack_ms: float
    release_ms: float
    decoupled: bool = False
    slow_share: float = 0.0
    slow_release_ms: float = 0.0
    adaptive: bool = False


@dataclass(frozen=True)
class SideState:
    """State of one detector between blocks: values of the smoothers and of the crest factor."""

    fast: tuple[float, float] = (0.0, 0.0)
    slow: tuple[float, float] = (0.0, 0.0)
    crest: tuple[float, float] = (0.0, 0.0)

    @property
    def idle(self) -> bool:
        """Whether the reduction has returned to zero."""
        return max(*self.fast, *self.slow) < NOTHING


class SideChain:
    """Computes the reduction of one detector over time, in log2 units."""

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
        """Reduction for a level of shape (n_frames,), a new array, and the state after it.

        The reduction is None if it is zero in the whole block.
        """
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
