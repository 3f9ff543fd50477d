"""Working memory that the kernels of one chain share.

A new temporary over 128 KiB can cost a page fault for every 4 KiB; a reused buffer costs none. A kernel takes a buffer
by name, and must not rely on its content once another kernel has taken the same name.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from chainrun.dsp.arrays import Array


class Scratch:
    """Buffers by name, each as long as its longest request."""

    def __init__(self) -> None:
        self._buffers: dict[str, Array] = {}

    def take(self, name: str, n: int) -> Array:
        """Return a float64 array of shape (n,) with arbitrary content."""
        held = self._buffers.get(name)
        if held is None or held.size < n:
            held = np.empty(n)
            self._buffers[name] = held
        return held[:n]

    def __reduce__(self) -> tuple[Any, ...]:
        return (Scratch, ())
