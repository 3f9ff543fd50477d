"""Reads audio files: checked headers, and blocks of finite float64."""

from __future__ import annotations

import hashlib
import math
import os
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType

import numpy as np
import soundfile

from chainrun.audiofile.whole import READABLE, bytes_missing, lacks_its_end
from chainrun.dsp.arrays import Array
from chainrun.dsp.runs import runs_of
from chainrun.errors import AudioError, Problem, reason, shown_path
from chainrun.limits import Limits
from chainrun.problem_codes import Code

MIN_RATE_HZ, MAX_RATE_HZ = 8_000, 384_000
BLOCK_FRAMES = 61_440
"""Frames per block: 30 to 120 thousand run fastest (tests/bench); a multiple of 2048 keeps the products whole."""
CLIPPED_RUN = 3
"""This many frames in a row at full scale count as a clipped run (common practice)."""


@dataclass(frozen=True)
class Header:
    """Header of an audio file."""

    path: str
    rate_hz: int
    n_channels: int
    n_frames: int
    encoding: str

    @property
    def full_scale(self) -> float:
        """Magnitude at or above which a sample counts as full scale."""
        return 1.0 - 1.5 / 32768.0 if "16" in self.encoding else 1.0 - 1e-5


def _refuse(
    path: Path,
    message: str,
    *,
    given: str | None = None,
    allowed: str | None = None,
    hint: str | None = None,
    code: Code,
) -> AudioError:
    return AudioError(Problem(message, file=shown_path(path), given=given, allowed=allowed, hint=hint, code=code))


def _open(path: Path) -> soundfile.SoundFile:
    if not path.exists():
        raise _refuse(path, "there is no such file", code=Code.FILE_NOT_FOUND)
    if not path.is_file():
        raise _refuse(path, "this is not a plain file", code=Code.NOT_A_PLAIN_FILE)
    if path.stat().st_size == 0:
        raise _refuse(path, "the file is empty", code=Code.NO_AUDIO)
    try:
        return soundfile.SoundFile(os.fsencode(path))
    except TypeError as error:  # soundfile cannot know the samples of a .raw file
        raise _refuse(
            path,
            "raw samples have no header",
            given=path.suffix,
            allowed=", ".join(READABLE),
            hint="export it as .wav",
            code=Code.NOT_AUDIO,
        ) from error
    except (soundfile.LibsndfileError, OSError) as error:
        if not os.access(path, os.R_OK):
            message = "the file cannot be read: permission is missing"
            raise _refuse(path, message, code=Code.CANNOT_READ) from error
        detail = getattr(error, "error_string", str(error)).rstrip(".")
        message = f"the file cannot be read as audio ({detail})"
        raise _refuse(path, message, code=Code.NOT_AUDIO) from error


def read_header(path: Path, limits: Limits | None = None) -> Header:
    """Read the header of an audio file and check it, also against `limits` if given.

    Raises AudioError for a file that cannot be read or used.
    """
    if limits is not None and path.is_file():
        _hold(path, limits.exceeded("file_gb", path.stat().st_size / 1e9, "the file's size"))
    with _open(path) as file:
        kind = file.format
        header = Header(str(path), file.samplerate, file.channels, file.frames, file.subtype)
    if kind not in READABLE:
        message = "audio files of this format cannot be read"
        raise _refuse(path, message, given=kind, allowed=", ".join(READABLE), code=Code.NOT_AUDIO)
    if not MIN_RATE_HZ <= header.rate_hz <= MAX_RATE_HZ:
        raise _refuse(
            path,
            "the sampling rate cannot be used",
            given=f"{header.rate_hz} Hz",
            allowed=f"{MIN_RATE_HZ} to {MAX_RATE_HZ} Hz",
            code=Code.UNUSABLE_RATE,
        )
    _check_whole(path)
    if header.n_frames <= 0:
        raise _refuse(path, "the file holds no audio: its length is 0 frames", code=Code.NO_AUDIO)
    if limits is not None:
        _hold(path, limits.exceeded("length_s", header.n_frames / header.rate_hz, "the file's length"))
        _hold(path, limits.exceeded("channels", header.n_channels, "the file's number of channels"))
        _hold(path, limits.exceeded("rate_hz", header.rate_hz, "the file's rate"))
    return header


def _hold(path: Path, over: Problem | None) -> None:
    if over is not None:
        raise AudioError(replace(over, file=shown_path(path)))


def _check_whole(path: Path) -> None:
    """Raise AudioError for a file that is shorter than its header says."""
    missing = bytes_missing(path)
    if missing is not None:
        raise _refuse(
            path,
            "the file is shorter than its header says",
            given=f"{missing[0]} bytes",
            allowed=f"{missing[1]} bytes",
            hint="copy or export it again; nothing was repaired",
            code=Code.CUT_SHORT,
        )
    if lacks_its_end(path):
        raise _refuse(
            path,
            "the file ends before its last page",
            hint="copy or export it again; nothing was repaired",
            code=Code.CUT_SHORT,
        )


def hash_content(path: Path) -> str:
    """SHA-256 of a file's bytes, in hex. Raises AudioError for a file that cannot be read."""
    digest = hashlib.sha256()
    try:
        with path.open("rb") as file:
            while piece := file.read(1 << 20):
                digest.update(piece)
    except OSError as error:
        raise _refuse(path, f"the file cannot be read ({error.strerror})", code=Code.CANNOT_READ) from error
    return digest.hexdigest()


class Reader:
    """Reads a file in consecutive blocks, float64, shape (n_channels, n_frames), and counts clipped runs."""

    def __init__(self, path: Path, *, from_frame: int = 0, to_frame: int | None = None):
        self.header = read_header(path)
        self._path = path
        self._file = _open(path)
        end = self.header.n_frames if to_frame is None else min(to_frame, self.header.n_frames)
        self._left = max(0, end - from_frame)
        self.n_frames = self._left
        if from_frame:
            self._file.seek(min(from_frame, self.header.n_frames))
        self._at = from_frame
        self.clipped_runs = 0
        self._run_lengths = np.zeros(self.header.n_channels, dtype=np.int64)
        self._full_scale = self.header.full_scale

    def read(self, n_frames: int) -> Array:
        """Read the next frames; fewer at the end. Raises AudioError for a truncated file or a non-finite value."""
        wanted = min(n_frames, self._left)
        try:
            data = self._file.read(wanted, dtype="float64", always_2d=True)
        except (soundfile.LibsndfileError, OSError) as error:
            message = f"reading failed at frame {self._at} ({reason(error)})"
            raise _refuse(self._path, message, code=Code.CANNOT_READ) from error
        if len(data) < wanted:
            raise _refuse(
                self._path,
                "the file is shorter than its header says",
                given=f"{self._at + len(data)} frames",
                allowed=f"{self.header.n_frames} frames",
                code=Code.CUT_SHORT,
            )
        x = np.ascontiguousarray(data.T)
        highest, lowest = float(x.max(initial=0.0)), float(x.min(initial=0.0))
        if not math.isfinite(highest - lowest):
            frame = int(np.flatnonzero(~np.isfinite(x).all(axis=0))[0]) + self._at
            raise _refuse(
                self._path,
                f"frame {frame} ({frame / self.header.rate_hz:.3f} s) is not a number",
                hint="export the file again; nothing was repaired",
                code=Code.NOT_FINITE,
            )
        self._left -= wanted
        self._at += wanted
        if max(highest, -lowest) >= self._full_scale:
            self._count_clipped(x)
        else:
            self._run_lengths[:] = 0
        return x

    def blocks(self, n_frames: int = BLOCK_FRAMES) -> Iterator[Array]:
        """Read the rest of the file, `n_frames` at a time."""
        while (x := self.read(n_frames)).shape[1]:
            yield x

    def _count_clipped(self, x: Array) -> None:
        if x.size == 0 or np.abs(x).max() < self._full_scale:
            self._run_lengths[:] = 0
            return
        for channel, row in enumerate(x):
            runs = runs_of(np.abs(row) >= self._full_scale)
            carried = int(self._run_lengths[channel])
            for begin, end in runs:
                before = carried if begin == 0 else 0
                if end - begin + before >= CLIPPED_RUN > before:
                    self.clipped_runs += 1
            begin, end = runs[-1] if runs else (0, 0)
            at_end = bool(runs) and end == row.size
            self._run_lengths[channel] = (end - begin + (carried if begin == 0 else 0)) if at_end else 0

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def __enter__(self) -> Reader:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
