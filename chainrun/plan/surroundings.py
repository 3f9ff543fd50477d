"""What else determines the bits of a print, beside the recipe and the stems."""

from __future__ import annotations

import hashlib
import platform
from importlib.metadata import version
from pathlib import Path
from typing import Any

import chainrun
from chainrun import __version__
from chainrun.blas import blas_kernel


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
