"""What else determines the bits of a print, beside the recipe and the stems."""

from __future__ import annotations

import ctypes
import hashlib
import platform
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path
from typing import Any

import chainrun
from chainrun import __version__


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


def code_hash() -> str:
    """SHA-256 of the program's own source files: a version number may stay while a kernel changes."""
    digest = hashlib.sha256()
    package = Path(chainrun.__file__).parent
    for path in sorted(package.rglob("*.py")):
        digest.update(str(path.relative_to(package)).encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()


def surroundings(block_frames: int) -> dict[str, Any]:
    """Versions, code, machine and block size, for the hashes of prints."""
    return {
        "engine": __version__,
        "code": code_hash(),
        "numpy": version("numpy"),
        "scipy": version("scipy"),
        "blas": blas_kernel(),
        "machine": platform.machine(),
        "block_frames": block_frames,
    }
