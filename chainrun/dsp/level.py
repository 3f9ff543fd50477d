"""The level that a dynamics step listens to: magnitude, linked over the channels."""

from __future__ import annotations

import numpy as np

from chainrun.dsp.arrays import Array


def linked_level(x: Array, link_pct: float) -> Array:
    """|x| of each channel, drawn to the loudest channel by `link_pct`, shape (n_detectors, n_frames).

    0 % leaves each channel its own level, 100 % gives one row that all channels share; between them the level
    in dB lies that far on the way from the channel's own to the loudest one's.
    """
    level = np.abs(x)
    if level.shape[0] == 1 or link_pct == 0.0:
        return level
    loudest: Array = level.max(axis=0, keepdims=True)
    if link_pct == 100.0:
        return loudest
    share = link_pct / 100.0
    linked: Array = np.power(level, 1.0 - share) * np.power(loudest, share)
    return linked
