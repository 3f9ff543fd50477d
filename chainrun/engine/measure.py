"""Measures an audio file."""

from __future__ import annotations

from pathlib import Path

from chainrun.audiofile import Reader
from chainrun.engine.node import BLOCK_FRAMES
from chainrun.errors import AudioError, Problem
from chainrun.loudness import Measured, Meter

MOST_CHANNELS = 2


def measure_file(path: Path) -> Measured:
    """Loudness and peaks of a mono or stereo file. Raises AudioError for what cannot be read."""
    with Reader(path) as reader:
        header = reader.header
        if header.n_channels > MOST_CHANNELS:
            raise AudioError(
                Problem(
                    "only mono and stereo files are measured",
                    file=str(path),
                    given=f"{header.n_channels} channels",
                    allowed="1 or 2",
                )
            )
        meter = Meter(header.rate_hz, header.n_channels)
        while (block := reader.read(BLOCK_FRAMES)).shape[1]:
            meter.feed(block)
        return meter.result()
