"""Audio files whose headers lie: fields, chunk sizes, order, doubles, cuts."""

from __future__ import annotations

import io
import random
import struct

import numpy as np
import soundfile

KINDS = (
    ("WAV", "PCM_16"), ("WAV", "PCM_24"), ("WAV", "PCM_U8"), ("WAV", "FLOAT"), ("WAV", "DOUBLE"), ("WAV", "MS_ADPCM"), ("WAV", "ULAW"),
    ("WAVEX", "PCM_24"), ("RF64", "PCM_16"), ("W64", "PCM_16"), ("AIFF", "PCM_24"), ("CAF", "PCM_16"), ("FLAC", "PCM_16"),
    ("OGG", "VORBIS"), ("OGG", "OPUS"), ("MP3", "MPEG_LAYER_III"), ("AU", "PCM_16"),
)  # fmt: skip
NUMBERS = (
    0,
    1,
    2,
    3,
    7,
    8,
    16,
    24,
    32,
    64,
    255,
    1024,
    0x7FFF,
    0xFFFF,
    48000,
    0x7FFFFFFF,
    0x80000000,
    0xFFFFFFFE,
    0xFFFFFFFF,
)
CHUNKS = (b"data", b"fmt ", b"fact", b"bext", b"LIST", b"JUNK", b"ds64", b"PEAK", b"cue ", b"id3 ", b"\0\0\0\0")


def whole(rng: random.Random) -> bytes:
    """A small file of some kind."""
    kind, encoding = rng.choice(KINDS)
    n_channels = rng.choice(
        [1, 2, 2, 3] if encoding.startswith(("PCM", "FLOAT")) and kind in ("WAV", "FLAC") else [1, 2]
    )
    x = np.random.default_rng(rng.randrange(1000)).standard_normal((rng.choice([1, 480, 4800]), n_channels)) * 0.1
    out = io.BytesIO()
    soundfile.write(out, x, 48000, format=kind, subtype=encoding)
    return out.getvalue()


def case(rng: random.Random) -> bytes:
    """A file with a few false fields."""
    data = bytearray(whole(rng))
    head = min(len(data), 200)
    for _ in range(rng.choice([1, 1, 2, 3, 6])):
        kind = rng.randrange(8)
        at = rng.randrange(head)
        if kind == 0:
            struct.pack_into("<I", data, min(at & ~1, max(0, len(data) - 4)), rng.choice(NUMBERS))
        elif kind == 1:
            struct.pack_into("<H", data, min(at & ~1, max(0, len(data) - 2)), rng.choice(NUMBERS) & 0xFFFF)
        elif kind == 2:
            data[at] ^= 1 << rng.randrange(8)
        elif kind == 3:
            del data[rng.randrange(len(data)) :]
        elif kind == 4:
            chunk = (
                rng.choice(CHUNKS)
                + struct.pack("<I", rng.choice([0, 1, 4, 20, *NUMBERS]))
                + bytes(rng.choice([0, 4, 21]))
            )
            data[min(12, len(data)) : min(12, len(data))] = chunk
        elif kind == 5:
            found = data.find(b"data", 0, 400)
            if found >= 0 and found + 8 <= len(data):
                struct.pack_into("<I", data, found + 4, rng.choice(NUMBERS))
        elif kind == 6:
            found = data.find(b"fmt ", 0, 400)
            if found >= 0 and found + 24 <= len(data):
                field, size = rng.choice([(8, "H"), (10, "H"), (12, "I"), (16, "I"), (20, "H"), (22, "H")])
                mask = 0xFFFF if size == "H" else 0xFFFFFFFF
                struct.pack_into(f"<{size}", data, found + field, rng.choice(NUMBERS) & mask)
        else:
            data += bytes(rng.choice([1, 3, 100]))
        if len(data) < 8:
            break
        head = min(len(data), 200)
    return bytes(data)
