"""Tasks of a survey's worker processes: analyse a whole file, cut stretches out of a stem."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from chainrun.audiofile import Reader
from chainrun.dsp.arrays import Array
from chainrun.dsp.onsets import Envelope
from chainrun.engine.sources import StemSource
from chainrun.loudness import Measured
from chainrun.loudness.analysis import Analysis
from chainrun.plan import StemInput
from chainrun.survey.alone import Alone, FileListener

BLOCK = 131_072
BEFORE_MS, LENGTH_MS = 40, 230
"""Length of the stretches around hits."""
FINE = NDArray[np.float32]


@dataclass(frozen=True)
class FileHeard:
    """Measurements of a file and findings in each of its channels."""

    measured: Measured
    encoding: str
    channels: tuple[Alone, ...]
    side_db: float | None
    """Ratio of side to mid of a stereo file."""


def hear_file(path: str, channels: tuple[int, ...]) -> FileHeard:
    """Measure a file and analyse some of its channels."""
    with Reader(Path(path)) as reader:
        header = reader.header
        # If one channel of a stereo file is used, it alone is measured.
        used = list(channels) if len(channels) <= 2 else [0, 1]
        analysis = Analysis(header.rate_hz, len(used), every=4)
        listeners = [FileListener(header.rate_hz, header.full_scale) for _ in channels]
        mid = side = 0.0
        for x in reader.blocks(BLOCK):
            analysis.feed(np.ascontiguousarray(x[used]))
            for listener, channel in zip(listeners, channels, strict=True):
                listener.feed(x[channel])
            if header.n_channels == 2:
                mid += float(np.sum((x[0] + x[1]) ** 2))
                side += float(np.sum((x[0] - x[1]) ** 2))
        share = None
        if header.n_channels == 2:
            share = 10.0 * math.log10(side / mid) if mid > 0 and side > 0 else (-math.inf if mid > 0 else 0.0)
        return FileHeard(analysis.result(), header.encoding, tuple(one.result() for one in listeners), share)


def hear_envelope(stem: StemInput, rate_hz: int) -> Array:
    """Energy above 300 Hz of a mono stem, as the recipe uses it, in steps of a millisecond."""
    source = StemSource(stem, rate_hz)
    envelope = Envelope(rate_hz)
    try:
        for at in range(0, source.n_frames, BLOCK):
            envelope.feed(source.read(min(BLOCK, source.n_frames - at))[0])
    finally:
        source.close()
    return envelope.result()


def cut_stretches(stem: StemInput, rate_hz: int, places_ms: tuple[int, ...]) -> FINE:
    """Stretches of a mono stem around places, shape (n_places, n_frames), padded with silence."""
    length = LENGTH_MS * rate_hz // 1000
    begins = np.array([(place - BEFORE_MS) * rate_hz // 1000 for place in places_ms], dtype=np.int64)
    out = np.zeros((len(places_ms), length), dtype=np.float32)
    source = StemSource(stem, rate_hz)
    try:
        for at in range(0, source.n_frames, BLOCK):
            x = source.read(min(BLOCK, source.n_frames - at))[0]
            for row in np.flatnonzero((begins < at + x.size) & (begins + length > at)).tolist():
                first, last = max(at, int(begins[row])), min(at + x.size, int(begins[row]) + length)
                out[row, first - begins[row] : last - begins[row]] = x[first - at : last - at]
    finally:
        source.close()
    return out


def largest_difference(first: tuple[str, int], second: tuple[str, int]) -> tuple[float, float]:
    """Largest sample of the difference and of the sum of two files' channels."""
    with Reader(Path(first[0])) as a, Reader(Path(second[0])) as b:
        apart = together = 0.0
        while (x := a.read(BLOCK)).shape[1]:
            y = b.read(BLOCK)
            n = min(x.shape[1], y.shape[1])
            apart = max(apart, float(np.abs(x[first[1], :n] - y[second[1], :n]).max(initial=0.0)))
            together = max(together, float(np.abs(x[first[1], :n] + y[second[1], :n]).max(initial=0.0)))
        return apart, together
