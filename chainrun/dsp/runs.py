"""Runs of consecutive true frames."""

from __future__ import annotations

import numpy as np

from chainrun.dsp.arrays import BoolArray


def runs_of(holds: BoolArray) -> list[tuple[int, int]]:
    """First frame of each run of true values, and the frame after its end; `holds` has shape (n_frames,)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], holds, [False]]).astype(np.int8))).tolist()
    return list(zip(edges[::2], edges[1::2], strict=True))
