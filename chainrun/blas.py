"""The BLAS libraries that NumPy and SciPy brought along: their kernel, and how many threads they run on."""

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
    """The OpenBLAS libraries in a package's wheel."""
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
    """The name of the BLAS kernel that NumPy's products run on: their last bit depends on it."""
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
"""How many blocks of `one_blas_thread` are open, and what the first of them found."""


@contextmanager
def one_blas_thread() -> Iterator[None]:
    """Let products run on one thread, and on as many as before once the last such block has ended.

    Small ones gain nothing by more, and the bits stay the same. The number of threads is the process's: products that
    another thread of the host makes meanwhile run on one, too.
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
