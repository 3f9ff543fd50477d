"""What else determines the bits of a print, beside the recipe and the stems."""

from __future__ import annotations

import ctypes
import platform
from importlib.metadata import version
from pathlib import Path
from typing import Any

from chainrun import __version__


def blas_kernel() -> str:
    """The name of the BLAS kernel that NumPy's products run on: their last bit depends on it."""
    import numpy

    for library in sorted((Path(numpy.__file__).parent.parent / "numpy.libs").glob("*openblas*")):
        loaded = ctypes.CDLL(str(library))
        for name in ("scipy_openblas_get_corename64_", "openblas_get_corename64_", "openblas_get_corename"):
            function = getattr(loaded, name, None)
            if function is not None:
                function.restype = ctypes.c_char_p
                return str(function().decode("ascii", "replace"))
    return "unknown"


def surroundings(block_frames: int) -> dict[str, Any]:
    """Versions, machine and block size, for the hashes of prints."""
    return {
        "engine": __version__,
        "numpy": version("numpy"),
        "scipy": version("scipy"),
        "blas": blas_kernel(),
        "machine": platform.machine(),
        "block_frames": block_frames,
    }
