"""Array types of all kernels."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
"""Audio is float64 of shape (n_channels, n_frames), C-contiguous, full scale ±1.0."""

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


def silence(n_channels: int, n_frames: int) -> Array:
    """A block of zeros, shape (n_channels, n_frames)."""
    return np.zeros((n_channels, n_frames))
