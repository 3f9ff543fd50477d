"""Broadcast extension chunk of a WAV or RF64 file (EBU Tech 3285 version 2, May 2011), with loudness fields."""

from __future__ import annotations

import math
import os
import struct
from dataclasses import dataclass
from pathlib import Path

UNSET = 0x7FFF
"""Value of a loudness field that is not set."""


@dataclass(frozen=True)
class Broadcast:
    """Content of the chunk. Levels in LUFS, LU and dBTP; None leaves a field unset."""

    description: str
    originator: str
    reference: str
    date: str
    integrated_lufs: float | None
    range_lu: float | None
    true_peak_dbtp: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None

    def chunk(self) -> bytes:
        """Encode the content: 602 bytes, with an empty coding history."""
        words = (
            self.integrated_lufs,
            self.range_lu,
            self.true_peak_dbtp,
            self.momentary_max_lufs,
            self.short_term_max_lufs,
        )
        fixed = struct.pack(
            "<256s32s32s10s8sQH64s",
            self.description.encode("ascii", "replace")[:256],
            self.originator.encode("ascii", "replace")[:32],
            self.reference.encode("ascii", "replace")[:32],
            self.date.encode("ascii", "replace")[:10],
            b"00:00:00" if self.date else b"",
            0,  # frames since midnight
            2,
            b"",
        )
        return fixed + struct.pack("<5h", *(loudness_word(value) for value in words)) + bytes(180)


def loudness_word(value: float | None) -> int:
    """Encode a level: 100 times the value, halves rounded away from zero; 0x7FFF for None."""
    if value is None or not math.isfinite(value) or abs(value) >= 327.0:
        return UNSET
    return int(math.copysign(math.floor(abs(value) * 100.0 + 0.5), value))


def insert_bext(path: Path, broadcast: Broadcast) -> None:
    """Insert the chunk before the audio of a finished WAV or RF64 file. A complete copy replaces the file."""
    content = broadcast.chunk()
    chunk = b"bext" + struct.pack("<I", len(content)) + content
    part = path.with_suffix(".bext.part")
    try:
        with path.open("rb") as source, part.open("wb") as target:
            form, size, kind = struct.unpack("<4sI4s", source.read(12))
            if form == b"RIFF":
                target.write(struct.pack("<4sI4s", form, size + len(chunk), kind))
            else:
                target.write(struct.pack("<4sI4s", form, 0xFFFFFFFF, kind))
                head, length = struct.unpack("<4sI", source.read(8))
                body = bytearray(source.read(length))
                struct.pack_into("<Q", body, 0, struct.unpack_from("<Q", body)[0] + len(chunk))
                target.write(struct.pack("<4sI", head, length) + body)
            while head := source.read(8):
                name, length = struct.unpack("<4sI", head)
                if name == b"data":
                    target.write(chunk)
                target.write(head)
                if name == b"data":
                    break
                target.write(source.read(length + length % 2))
            while piece := source.read(1 << 20):
                target.write(piece)
            target.flush()
            os.fsync(target.fileno())
        os.replace(part, path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
