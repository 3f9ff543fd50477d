"""Checks that an audio file is as long as its header says: the decoder reads a truncated file without an error."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import BinaryIO

READABLE = ("WAV", "WAVEX", "RF64", "W64", "AIFF", "CAF", "FLAC", "OGG", "MP3", "AU")
"""Containers whose length can be checked against their header, or whose decoder checks it."""
UNKNOWN = 0xFFFFFFFF
"""Length in the header of a file that was written to a pipe, or whose 64-bit length is elsewhere."""
MAX_CHUNKS = 4096
LAST_PAGE = 70_000
"""Bytes in which to find the last Ogg page; a page has at most 65,307 (RFC 3533, section 6)."""
PAGE_HEAD = 27
"""Bytes of a page before the sizes of its segments; the last of these bytes is the number of segments."""
END_OF_STREAM = 4


def bytes_missing(path: Path) -> tuple[int, int] | None:
    """Size of a truncated file in bytes and the size its header states; None if it is whole. Raises OSError."""
    size = path.stat().st_size
    with path.open("rb") as file:
        stated = _stated(file, size)
    return (size, stated) if stated is not None and stated > size + 1 else None


def lacks_its_end(path: Path) -> bool:
    """Whether a file is an Ogg file without a whole last page (RFC 3533, section 6). Raises OSError."""
    with path.open("rb") as file:
        if file.read(4) != b"OggS":
            return False
        size = path.stat().st_size
        file.seek(max(0, size - LAST_PAGE))
        end = file.read(LAST_PAGE)
    at = end.rfind(b"OggS")
    if at < 0 or len(end) < at + PAGE_HEAD or not end[at + 5] & END_OF_STREAM:
        return True
    sizes = end[at + PAGE_HEAD : at + PAGE_HEAD + end[at + PAGE_HEAD - 1]]
    return len(end) < at + PAGE_HEAD + end[at + PAGE_HEAD - 1] + sum(sizes)


def _stated(file: BinaryIO, size: int) -> int | None:
    """Minimum size in bytes that the header states; None if it states none.

    RIFF: Microsoft and IBM, 1991; RF64: EBU Tech 3306; AIFF: EA IFF 85.
    """
    head = file.read(40)
    if head[:4] == b"RIFF" and head[8:12] == b"WAVE":
        whole = int.from_bytes(head[4:8], "little") + 8
        return max(whole if 8 < whole < UNKNOWN else 0, _riff_data(file, 12, size) or 0)
    if head[:4] == b"RF64" and head[12:16] == b"ds64" and len(head) >= 36:
        whole, data = struct.unpack_from("<QQ", head, 20)
        return max(int(whole) + 8, _riff_data(file, 12, size, int(data)) or 0)
    if head[:4] == b"riff" and len(head) >= 24:
        return int.from_bytes(head[16:24], "little")
    if head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC"):
        return int.from_bytes(head[4:8], "big") + 8
    if head[:4] in (b".snd", b"dns.") and len(head) >= 12:
        order = ">" if head[:4] == b".snd" else "<"
        offset, data = struct.unpack_from(f"{order}II", head, 4)
        return None if data == UNKNOWN else int(offset) + int(data)
    return None


def _riff_data(file: BinaryIO, at: int, size: int, data: int | None = None) -> int | None:
    """Byte at which the data chunk ends by its own size (or `data`, in RF64); None if that is not stated."""
    for _ in range(MAX_CHUNKS):
        file.seek(at)
        head = file.read(8)
        if len(head) < 8:
            return None
        length = int.from_bytes(head[4:], "little")
        if head[:4] == b"data":
            stated = data if data is not None and length == UNKNOWN else length
            return None if stated == UNKNOWN else at + 8 + stated
        at += 8 + length + (length & 1)
        if at >= size:
            return None
    return None
