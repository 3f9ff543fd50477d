"""Runs of consecutive frames in which something holds."""

from __future__ import annotations

import numpy as np

from chainrun.dsp.arrays import BoolArray


def runs_of(holds: BoolArray) -> list[tuple[int, int]]:
    """The begin of each run, and the frame behind its end."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], holds, [False]]).astype(np.int8))).tolist()
    return list(zip(edges[::2], edges[1::2], strict=True))
