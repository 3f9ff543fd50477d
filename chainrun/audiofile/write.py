"""Writes audio files: a file appears under its name complete, or not at all."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Literal

import numpy as np
import soundfile

from chainrun.audiofile.bext import Broadcast, insert_bext
from chainrun.dsp.arrays import Array
from chainrun.dsp.dither import Quantiser
from chainrun.errors import Problem, ResourceError
from chainrun.problem_codes import Code
from chainrun.whole_file import begin_part, drop_dead, drop_part, put_in_place

Bits = Literal[16, 24, 32]
FORMATS = {".wav": "WAV", ".flac": "FLAC", ".ogg": "OGG", ".mp3": "MP3"}
LOSSY = (".ogg", ".mp3")
LOSSY_BLOCK = 65_536
"""Frames per call for lossy formats: libsndfile crashes on a long block of Vorbis."""
RATES_OF_MP3 = (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000)
_LIMIT_OF_WAV = (1 << 32) - (1 << 16)


def container_of(path: Path, n_channels: int, n_frames: int, bits: Bits) -> str:
    """Container for a file name, in libsndfile's words; RF64 where a WAV would exceed 4 GiB."""
    container = FORMATS[path.suffix.lower()]
    if container == "WAV" and n_channels * n_frames * bits // 8 >= _LIMIT_OF_WAV:
        return "RF64"
    return container


def _clear_peak_time(file: BinaryIO) -> None:
    """Set the time stamp of a float WAV's PEAK chunk to 0, so that the same samples make the same bytes."""
    # Chunks are followed by their lengths (RIFF, or ds64 in RF64): a title may contain the same letters.
    file.seek(12)
    while len(head := file.read(8)) == 8 and head[:4] != b"data":
        size = int.from_bytes(head[4:], "little")
        if head[:4] == b"PEAK":
            file.seek(4, 1)  # past its version, to the time stamp
            file.write(b"\0\0\0\0")
            return
        file.seek(size + size % 2, 1)


class Writer:
    """Writes blocks to a temporary file next to `path`; `finish` syncs and renames it. 32 bits means float.

    Raises ResourceError for a file that cannot be written.
    """

    def __init__(  # noqa: PLR0913 - a file has this many properties; all but the first four are keywords
        self,
        path: Path,
        rate_hz: int,
        n_channels: int,
        n_frames: int,
        *,
        bits: Bits = 24,
        dither: bool = True,
        seed: int = 0,
        quality_pct: float = 80.0,
        tags: Mapping[str, str] | None = None,
        broadcast: Callable[[], Broadcast] | None = None,
    ):
        self.path, self.bits = path, bits
        self._lossy = path.suffix.lower() in LOSSY
        self._broadcast = broadcast
        drop_dead(path)
        self._temporary = begin_part(path)
        self._quantiser = Quantiser(bits, dither=dither, seed=seed) if bits != 32 and not self._lossy else None
        self._digest = hashlib.sha256()
        container = container_of(path, n_channels, n_frames, bits)
        subtype = {"OGG": "VORBIS", "MP3": "MPEG_LAYER_III"}.get(container)
        subtype = subtype or {16: "PCM_16", 24: "PCM_24", 32: "FLOAT"}[bits]
        more = {"compression_level": 1.0 - quality_pct / 100.0} if self._lossy else {}
        try:
            self._file = soundfile.SoundFile(
                os.fsencode(self._temporary), "w", rate_hz, n_channels, subtype=subtype, format=container, **more
            )
            for name, text in (tags or {}).items():
                setattr(self._file, name, text)
        except (soundfile.LibsndfileError, OSError) as error:
            raise self._failed(error) from error

    def _failed(self, error: Exception) -> ResourceError:
        detail = getattr(error, "strerror", None) or getattr(error, "error_string", None) or str(error)
        message = f"the file could not be written ({str(detail).rstrip('.')})"
        return ResourceError(Problem(message, file=str(self.path), code=Code.CANNOT_WRITE))

    @property
    def clipped_frames(self) -> int:
        """Frames that did not fit into the integer format."""
        return self._quantiser.clipped_frames if self._quantiser else 0

    @property
    def pcm_sha256(self) -> str:
        """SHA-256 of the samples written, in hex; independent of the container."""
        return self._digest.hexdigest()

    def write(self, x: Array) -> Array:
        """Write a block of shape (n_channels, n_frames); returns it as the file holds it, in float64."""
        if not np.isfinite(x).all():
            message = "a value to be written is not a finite number"
            raise ResourceError(Problem(message, file=str(self.path), code=Code.NOT_FINITE))
        if self._quantiser is None:
            data = np.ascontiguousarray(x.T.astype("<f4"))
            held = data.T.astype(np.float64)
        else:
            steps = self._quantiser.run(x)
            held = np.ascontiguousarray(steps.T) * (1.0 / (1 << (self.bits - 1)))
            data = np.left_shift(steps, 32 - self.bits)
        self._digest.update(data.tobytes())
        try:
            if self._lossy:
                for at in range(0, len(data), LOSSY_BLOCK):
                    self._file.write(data[at : at + LOSSY_BLOCK])
            else:
                self._file.write(data)
        except (soundfile.LibsndfileError, OSError) as error:
            self.abandon()
            raise self._failed(error) from error
        return held

    def finish(self) -> None:
        """Close and sync the file, and give it its name."""
        try:
            self._file.flush()
            self._file.close()
            if self._broadcast is not None:
                insert_bext(self._temporary, self._broadcast())
            if self.bits == 32:
                with self._temporary.open("r+b") as file:
                    _clear_peak_time(file)
            put_in_place(self._temporary, self.path)
            drop_part(self._temporary)
        except (soundfile.LibsndfileError, OSError) as error:
            self.abandon()
            raise self._failed(error) from error

    def abandon(self) -> None:
        """Drop the temporary file; nothing appears under the final name."""
        self._file.close()
        drop_part(self._temporary)

    def __enter__(self) -> Writer:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is not None:
            self.abandon()
