"""Runs a chain over a whole signal in memory."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from chainrun.contract import Key
from chainrun.contract.runner import Runner

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array


def run_on_time(runner: Runner, x: Array, keys: Mapping[Key, Array] | None = None) -> Array:
    """Output of a fresh chain for a signal of shape (n_channels, n_frames): the same length, without latency.

    Zeros of the latency's length follow the input, and as many frames are cut from the output's beginning. `keys` are
    the signals that its steps listen to, at most as long as the input and the latency together.
    """
    import numpy as np

    late = runner.latency_frames
    n_frames = x.shape[1] + late

    def padded(one: Array) -> Array:
        return np.pad(one, ((0, 0), (0, n_frames - one.shape[1])))

    y = runner.run(padded(x), {key: padded(one) for key, one in (keys or {}).items()})
    return np.asarray(y[:, late:])
