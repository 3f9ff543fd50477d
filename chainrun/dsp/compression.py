"""The side chain of a compressor: level, static curve, smoother; feed-forward, in the log domain.

The smoother works on the reduction, after the gain computer, as Giannoulis, Massberg and Reiss recommend
(JAES 60(6), 2012, sections 2-3; from memory). Logarithm, curve and smoother run only on the frames above the
knee's foot: elsewhere the reduction that is asked for is 0.
"""

from __future__ import annotations

import numpy as np

from chainrun.dsp.arrays import Array
from chainrun.dsp.ballistics import Branching, time_constant
from chainrun.dsp.gain_computer import DownwardCurve

SPARSE_SHARE = 0.4
"""Above this share of frames over the foot the dense form is cheaper."""

NOTHING = 1e-12
"""A reduction below this (log2 units) counts as none."""


class SideChain:
    """Reduction over time of one detector. The state is the last reduction, in log2 units."""

    def __init__(self, curve: DownwardCurve, attack_ms: float, release_ms: float, rate_hz: float):
        self.curve = curve
        self._foot = curve.foot
        self._smoother = Branching(time_constant(attack_ms, rate_hz), time_constant(release_ms, rate_hz))

    def run(self, level: Array, last: float) -> tuple[Array | None, float]:
        """Reduction in log2 units for a level of shape (n_frames,); None where there is none in the block."""
        where = np.flatnonzero(level > self._foot)
        if where.size == 0 and last < NOTHING:
            return None, 0.0
        n = level.size
        if where.size < SPARSE_SHARE * n:
            wanted = self.curve.reduction(level[where])
            reduction = self._smoother.run_sparse(wanted, where, n, last)
        else:
            reduction = self._smoother.run(self.curve.reduction(np.maximum(level, self._foot)), last)
        return reduction, float(reduction[-1])
