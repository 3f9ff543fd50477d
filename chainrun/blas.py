"""The BLAS library that NumPy and SciPy brought along: its kernel, and how many threads it runs on."""

from __future__ import annotations

import ctypes
from collections.abc import Iterator
from pathlib import Path
from typing import Any


def _openblas(package: str) -> Iterator[ctypes.CDLL]:
    """The OpenBLAS libraries that a package's wheel brought along."""
    import numpy

    for library in sorted((Path(numpy.__file__).parent.parent / f"{package}.libs").glob("*openblas*")):
        yield ctypes.CDLL(str(library))


def _function(library: ctypes.CDLL, name: str) -> Any:
    for full in (f"scipy_openblas_{name}64_", f"scipy_openblas_{name}", f"openblas_{name}64_", f"openblas_{name}"):
        found = getattr(library, full, None)
        if found is not None:
            return found
    return None


def blas_kernel() -> str:
    """The name of the BLAS kernel that NumPy's products run on: their last bit depends on it."""
    for library in _openblas("numpy"):
        corename = _function(library, "get_corename")
        if corename is not None:
            corename.restype = ctypes.c_char_p
            return str(corename().decode("ascii", "replace"))
    return "unknown"


def one_blas_thread() -> None:
    """Let products run on one thread: small ones gain nothing by more, and the bits stay the same."""
    for package in ("numpy", "scipy"):
        for library in _openblas(package):
            set_threads = _function(library, "set_num_threads")
            if set_threads is not None:
                set_threads(1)
