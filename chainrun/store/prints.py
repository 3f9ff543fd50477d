"""Print files: the float32 audio of a node with its measurements and checksums.

A print file holds the audio (little-endian float32, channels interleaved), then a JSON document, then 68 bytes: a mark,
both lengths, the audio's CRC-32 and the document's SHA-256. The caller writes it elsewhere and moves it to its place.
"""

from __future__ import annotations

import hashlib
import json
import os
import struct
import zlib
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from chainrun.dsp.arrays import Array, silence
from chainrun.errors import Problem, ResourceError
from chainrun.problem_codes import Code

MARK = b"chainrun-print-1"
FOOTER = struct.Struct("<16sQQI32s")
PIECE = 1 << 20


@dataclass(frozen=True)
class Print:
    """Finished print on disk. Its first frame is the session's frame `begin_frame` (0 except for a stretch)."""

    path: Path
    n_channels: int
    n_frames: int
    begin_frame: int = 0


@dataclass(frozen=True)
class Footer:
    """Data at the end of a print file."""

    audio_bytes: int
    audio_crc32: int
    identity: str | None
    n_channels: int
    begin_frame: int
    labels: str
    """Hash of the names in the result."""
    result: Mapping[str, Any]
    """Result of the node, as a JSON object that the engine writes and reads."""

    def print_at(self, path: Path) -> Print:
        """Print in the file at `path` with this footer."""
        return Print(path, self.n_channels, self.audio_bytes // (4 * self.n_channels), self.begin_frame)


def read_footer(path: Path) -> Footer | None:
    """Read the footer of a print file; None if the file does not exist or its end is damaged.

    Raises OSError for a file that cannot be read and so may be undamaged.
    """
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            file.seek(max(0, size - FOOTER.size))
            mark, audio_bytes, document_bytes, audio_crc32, document_sha256 = FOOTER.unpack(file.read())
            if mark != MARK or audio_bytes + document_bytes + FOOTER.size != size:
                return None
            file.seek(audio_bytes)
            text = file.read(document_bytes)
    except (FileNotFoundError, struct.error, ValueError):
        return None
    if hashlib.sha256(text).digest() != document_sha256:
        return None
    document = json.loads(text)
    return Footer(
        audio_bytes,
        audio_crc32,
        identity=document.get("identity"),
        n_channels=int(document["n_channels"]),
        begin_frame=int(document["begin_frame"]),
        labels=document["labels"],
        result=document["result"],
    )


def audio_is_whole(path: Path, footer: Footer) -> bool:
    """Whether the audio has the checksum that its footer states. Raises OSError for a file that cannot be read."""
    crc = 0
    left = footer.audio_bytes
    with path.open("rb") as file:
        while left > 0 and (piece := file.read(min(PIECE, left))):
            crc = zlib.crc32(piece, crc)
            left -= len(piece)
    return left == 0 and crc == footer.audio_crc32


class PrintWriter:
    """Writes a print block by block. Raises ResourceError for a file that cannot be written."""

    def __init__(self, path: Path, n_channels: int, begin_frame: int = 0, identity: str = ""):
        self._identity = identity
        self.path, self.n_channels, self.n_frames, self._begin_frame = path, n_channels, 0, begin_frame
        self._crc = 0
        self._rounded = np.empty((0, n_channels), dtype="<f4")
        self._held = np.empty(0)
        try:
            self._file = path.open("wb")
        except OSError as error:
            raise self._failed(error) from error

    def _failed(self, error: OSError) -> ResourceError:
        return ResourceError(
            Problem(
                f"a print could not be written ({error.strerror})",
                file=str(self.path.parent),
                hint="free some space there, or choose another folder for the store",
                code=Code.PRINT_NOT_WRITTEN,
            )
        )

    def write(self, x: Array) -> Array:
        """Append a block of shape (n_channels, n_frames); returns it rounded to float32, in a reused buffer."""
        channels, n = x.shape
        if self._rounded.shape[0] < n:
            self._rounded = np.empty((n, channels), dtype="<f4")
            self._held = np.empty(n * channels)
        data, held = self._rounded[:n], self._held[: n * channels].reshape(channels, n)
        with np.errstate(over="ignore"):  # too large a value becomes inf, which the engine reports
            np.copyto(data, x.T, casting="same_kind")
        try:
            self._file.write(data.data)
        except OSError as error:
            raise self._failed(error) from error
        self._crc = zlib.crc32(data.data, self._crc)
        self.n_frames += n
        np.copyto(held, data.T)
        return held

    def abandon(self) -> None:
        """Close and delete the file."""
        with suppress(OSError):
            self._file.close()
        self.path.unlink(missing_ok=True)

    def finish(self, labels: str, result: Mapping[str, object]) -> Print:
        """Write the footer with the labels' hash and the node's result after the audio; sync and close the file."""
        full = {
            "labels": labels,
            "result": result,
            "identity": self._identity,
            "n_channels": self.n_channels,
            "begin_frame": self._begin_frame,
        }
        text = json.dumps(full, separators=(",", ":")).encode()
        audio_bytes = self.n_frames * self.n_channels * 4
        footer = FOOTER.pack(MARK, audio_bytes, len(text), self._crc, hashlib.sha256(text).digest())
        try:
            self._file.write(text + footer)
            self._file.flush()
            os.fsync(self._file.fileno())
            self._file.close()
        except OSError as error:
            self.abandon()
            raise self._failed(error) from error
        return Print(self.path, self.n_channels, self.n_frames, self._begin_frame)


class PrintSource:
    """Reads a print from the session's frame `begin_frame` on, with silence before its first and after its last frame.

    Raises ResourceError for a print that cannot be read or is truncated.
    """

    def __init__(self, source: Print, begin_frame: int = 0):
        self.n_channels = source.n_channels
        self.n_frames = source.begin_frame + source.n_frames
        """Frame of the session at which it ends."""
        try:
            self._file = source.path.open("rb")
        except OSError as error:
            message = f"a print cannot be read ({error.strerror})"
            raise ResourceError(Problem(message, file=str(source.path), code=Code.CANNOT_READ)) from error
        self._before = max(0, source.begin_frame - begin_frame)
        skipped = min(max(0, begin_frame - source.begin_frame), source.n_frames)
        self._file.seek(skipped * source.n_channels * 4)
        self._left = source.n_frames - skipped

    def read(self, n_frames: int) -> Array:
        """Read the next block, shape (n_channels, n_frames)."""
        x = silence(self.n_channels, n_frames)
        at = min(self._before, n_frames)
        self._before -= at
        wanted = min(n_frames - at, self._left)
        if wanted:
            data = np.fromfile(self._file, dtype="<f4", count=wanted * self.n_channels)
            if data.size != wanted * self.n_channels:
                message = "a print is shorter than when it was written"
                raise ResourceError(Problem(message, file=self._file.name, code=Code.PRINT_DAMAGED))
            x[:, at : at + wanted] = data.reshape(wanted, self.n_channels).T
            self._left -= wanted
        return x

    def blocks(self, n_frames: int) -> Iterator[Array]:
        """Read the whole print, `n_frames` at a time."""
        for at in range(0, self.n_frames, n_frames):
            yield self.read(min(n_frames, self.n_frames - at))

    def close(self) -> None:
        """Close the file."""
        self._file.close()
