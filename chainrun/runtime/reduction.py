"""Records the gain reduction of a dynamics step: figures and a decimated curve."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from chainrun.contract import Reading
from chainrun.contract.readings import Curve
from chainrun.units import LOG2_PER_DB

if TYPE_CHECKING:
    from chainrun.contract import Stream
    from chainrun.dsp.arrays import Array

MAX_POINTS = 36_000
"""Maximum points of a curve: six minutes at 100 per second. Longer curves are coarser, to bound the memory."""


POINTS_PER_SECOND = 100


WORKING_DB = 0.1
"""A step counts as working when it changes the level by more than this."""


class ReductionRecorder:
    """Records the reduction of a step over blocks, in the time of the chain's input.

    Frames before the input (the latency of the chain up to here, and of the step) or after it do not count.
    """

    def __init__(self, stream: Stream, latency_frames: int):
        rate_hz = stream.rate_hz
        self._hop = max(1, rate_hz // POINTS_PER_SECOND, -(-(stream.n_frames or 0) // MAX_POINTS))
        self._rate_hz = rate_hz
        self._skip = stream.latency_frames + latency_frames
        self._left = stream.n_frames
        self._total = 0
        self._working = 0
        self._sum = 0.0
        self._max = self._min = 0.0
        self._lows: list[Curve] = []
        self._highs: list[Curve] = []
        self._open: Array = np.empty(0)

    def count(self, reduction: Array | None, n_frames: int) -> None:
        """Add a block: its reduction in log2 units, shape (n_frames,), or None if it is zero throughout."""
        if self._skip:
            dropped = min(self._skip, n_frames)
            self._skip -= dropped
            n_frames -= dropped
            reduction = reduction[dropped:] if reduction is not None else None
        if self._left is not None:
            n_frames = min(n_frames, self._left)
            self._left -= n_frames
            reduction = reduction[:n_frames] if reduction is not None else None
        if n_frames == 0:
            return
        self._total += n_frames
        if reduction is None:
            whole = (self._open.size + n_frames) // self._hop
            if not self._open.any():
                self._lows.append(np.zeros(whole, dtype=np.float32))
                self._highs.append(np.zeros(whole, dtype=np.float32))
                self._open = np.zeros((self._open.size + n_frames) % self._hop)
                return
            reduction = np.zeros(n_frames)
        working = np.abs(reduction) > WORKING_DB * LOG2_PER_DB
        self._working += int(np.count_nonzero(working))
        self._sum += float(np.dot(reduction, working))
        joined = np.concatenate([self._open, reduction]) if self._open.size else reduction
        whole = joined.size // self._hop
        rows = joined[: whole * self._hop].reshape(whole, self._hop)
        if whole:
            self._lows.append(rows.min(axis=1).astype(np.float32))
            self._highs.append(rows.max(axis=1).astype(np.float32))
            self._max = max(self._max, float(rows.max()))
            self._min = min(self._min, float(rows.min()))
        self._open = joined[whole * self._hop :].copy()

    def reading(self, do: str) -> Reading:
        """Reading of all blocks up to now, without an address."""
        lows = np.concatenate([*self._lows, self._open.min(keepdims=True) if self._open.size else self._open])
        highs = np.concatenate([*self._highs, self._open.max(keepdims=True) if self._open.size else self._open])
        lows, highs = lows / LOG2_PER_DB, highs / LOG2_PER_DB
        highest = max(self._max, float(self._open.max(initial=0.0)))
        lowest = min(self._min, float(self._open.min(initial=0.0)))
        return Reading(
            step="",
            named="",
            do=do,
            gain_reduction_max_db=(highest if highest >= -lowest else lowest) / LOG2_PER_DB,
            gain_reduction_mean_db=self._sum / self._working / LOG2_PER_DB if self._working else 0.0,
            gain_reduction_working_pct=100.0 * self._working / self._total if self._total else 0.0,
            points_per_second=self._rate_hz / self._hop,
            curve_min_db=lows.astype(np.float32),
            curve_max_db=highs.astype(np.float32),
        )
