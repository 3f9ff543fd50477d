"""Surroundings of a render that determine its bits besides recipe and stems: versions, code, machine, block size."""

from __future__ import annotations

import hashlib
import platform
import re
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

import chainrun
from chainrun import __version__
from chainrun.blas import blas_kernel

MAKES_SOUND = (
    "audiofile/read.py",
    "audiofile/whole.py",
    "contract/branch.py",
    "contract/key.py",
    "contract/keyed.py",
    "contract/readings.py",
    "contract/runner.py",
    "contract/step.py",
    "dsp",
    "engine/node.py",
    "engine/result.py",
    "engine/sources.py",
    "loudness",
    "measured.py",
    "processors",
    "runtime",
    "store/prints.py",
    "units.py",
)
"""Files and folders whose code affects the samples of a print, or the data kept with them. A test checks the list."""
NOT_IN_PRINTS = ("arrival.py", "dither.py", "onsets.py", "sketch.py", "unmixing.py")
"""Kernels of dsp/ that surveys, baselines and deliveries use, but prints do not."""
TEXT = re.compile(
    r'"""(?:.|\n)*?"""'  # docstrings: in these files nothing else has three quotes
    r'|\bdescription=\s*(?:"(?:[^"\\\n]|\\.)*"\s*)+'
    r'|^    source = ".*"$'
    r"|^    def in_words\(.*\n(?:(?: {8}.*)?\n)*"  # steps in words, for pages
    r"|^\s*#.*$",
    re.MULTILINE,
)
"""Texts for people in a source file: a change of these changes no sound, and makes no print stale."""


@dataclass(frozen=True)
class Surroundings:
    """Versions, code, machine and block size, for the hashes of prints."""

    engine: str
    code: str
    numpy: str
    scipy: str
    blas: str
    machine: str
    block_frames: int


def sounding_files() -> Iterator[Path]:
    """Source files that are part of a print's hash, in order."""
    package = Path(chainrun.__file__).parent
    for place in MAKES_SOUND:
        found = package / place
        files = sorted(found.rglob("*.py")) if found.is_dir() else [found]
        yield from (path for path in files if place != "dsp" or path.name not in NOT_IN_PRINTS)


def code_hash() -> str:
    """SHA-256 of the code that makes sound, since a kernel may change without a new version number.

    Help, docstrings and comments do not count, nor does any other part of the program.
    """
    digest = hashlib.sha256()
    package = Path(chainrun.__file__).parent
    for path in sounding_files():
        digest.update(path.relative_to(package).as_posix().encode())
        digest.update(TEXT.sub("", path.read_text(encoding="utf-8")).encode())
    return digest.hexdigest()


def surroundings(block_frames: int) -> Surroundings:
    """Surroundings of this process."""
    return Surroundings(
        engine=__version__,
        code=code_hash(),
        numpy=version("numpy"),
        scipy=version("scipy"),
        blas=blas_kernel(),
        machine=platform.machine(),
        block_frames=block_frames,
    )
