"""Working memory that the kernels of one chain share.

A fresh temporary over 128 KiB can cost a page fault for every 4 KiB; a buffer that is used again costs none. A kernel
takes a buffer under a name, and must not count on its content once another kernel of the same name has run.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from chainrun.dsp.arrays import Array


class Scratch:
    """Buffers by name, each as long as the longest that was asked for."""

    def __init__(self) -> None:
        self._buffers: dict[str, Array] = {}

    def take(self, name: str, n: int) -> Array:
        """A float64 array of shape (n,) with any content."""
        held = self._buffers.get(name)
        if held is None or held.size < n:
            held = np.empty(n)
            self._buffers[name] = held
        return held[:n]

    def __reduce__(self) -> tuple[Any, ...]:
        return (Scratch, ())
