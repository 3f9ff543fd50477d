"""Partitioned convolution is convolution, at any length and block."""

from __future__ import annotations

import numpy as np
import pytest

import chainrun.processors  # noqa: F401
from chainrun.dsp.convolution import Convolver
from tests.signals import in_pieces


@pytest.mark.parametrize("length", [1, 64, 1000, 8192, 20001])
def test_partitioned_convolution(length):
    rng = np.random.default_rng(0)
    h, x = rng.standard_normal((2, length)), rng.standard_normal(30000)
    kernel, parts = Convolver(h), []
    late = kernel.latency_frames
    for (piece,) in in_pieces(np.concatenate([x, np.zeros(late)])[None], [1000, 1, 30000, 7]):
        parts.append(kernel.run(piece))
    y = np.concatenate(parts, axis=1)[:, late:]
    for row, taps in zip(y, h, strict=True):
        assert np.abs(row - np.convolve(x, taps)[: x.size]).max() < 1e-9 * max(1, length)
