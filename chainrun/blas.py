"""Kernel and number of threads of the BLAS libraries in NumPy and SciPy."""

from __future__ import annotations

import ctypes
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

Function = Callable[..., object]


@cache
def _libraries(package: str) -> list[ctypes.CDLL]:
    """OpenBLAS libraries in a package's wheel."""
    import numpy

    folder = Path(numpy.__file__).parent.parent / f"{package}.libs"
    return [ctypes.CDLL(str(path)) for path in sorted(folder.glob("*openblas*"))]


def _function(library: ctypes.CDLL, name: str) -> Function | None:
    for full in (f"scipy_openblas_{name}64_", f"scipy_openblas_{name}", f"openblas_{name}64_", f"openblas_{name}"):
        found = getattr(library, full, None)
        if found is not None:
            return found  # type: ignore[no-any-return]
    return None


def blas_kernel() -> str:
    """Name of the BLAS kernel of NumPy's matrix products, whose last bit depends on it; "unknown" if not OpenBLAS."""
    for library in _libraries("numpy"):
        corename = _function(library, "get_corename")
        if corename is not None:
            corename.restype = ctypes.c_char_p  # type: ignore[attr-defined]
            name = corename()
            return name.decode("ascii", "replace") if isinstance(name, bytes) else "unknown"
    return "unknown"


_lock = threading.Lock()
_inside = 0
_before: list[tuple[Function, object]] = []
"""Open blocks of `one_blas_thread`, and the numbers of threads that the first of them found."""


@contextmanager
def one_blas_thread() -> Iterator[None]:
    """Run matrix products on one thread; when the last such block ends, the former number is restored.

    Small products gain nothing from more threads, and on one thread the bits stay the same. The setting is for the
    whole process: products in other threads of the host run on one thread meanwhile, too.
    """
    global _inside
    with _lock:
        if _inside == 0:
            _set_one_thread()
        _inside += 1
    try:
        yield
    finally:
        with _lock:
            _inside -= 1
            if _inside == 0:
                for set_threads, count in _before:
                    set_threads(count)
                _before.clear()


def _set_one_thread() -> None:
    for library in (*_libraries("numpy"), *_libraries("scipy")):
        get_threads, set_threads = _function(library, "get_num_threads"), _function(library, "set_num_threads")
        if get_threads is not None and set_threads is not None:
            _before.append((set_threads, get_threads()))
            set_threads(1)
