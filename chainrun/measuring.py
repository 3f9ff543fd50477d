"""Measures an audio file."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from chainrun.audiofile import Reader
from chainrun.errors import AudioError, Problem
from chainrun.loudness import Analysis, Measured
from chainrun.loudness.meter import CHANNEL_WEIGHTS
from chainrun.problem_codes import Code


def measure_file(path: Path, *, oversample: int = 4) -> Measured:
    """All readings of a file of 1 to 6 channels. Raises AudioError for what cannot be read."""
    with Reader(path) as reader:
        header = reader.header
        if header.n_channels not in CHANNEL_WEIGHTS:
            raise AudioError(
                Problem(
                    "a file with so many channels cannot be measured",
                    file=str(path),
                    given=f"{header.n_channels} channels",
                    allowed="1 to 6: L R C LFE Ls Rs",
                    code=Code.UNUSABLE_CHANNELS,
                )
            )
        analysis = Analysis(header.rate_hz, header.n_channels, oversample=oversample)
        for block in reader.blocks():
            analysis.feed(block)
        return replace(analysis.result(), clipped_runs=reader.clipped_runs)


def second_opinion(path: Path) -> float | None:
    """Integrated loudness by pyloudnorm, over the whole tenths of a second; None where that gives no number.

    It takes the file at once (mind memory), counts incomplete blocks (hence the tenths), and knows up to 5 channels.
    """
    import pyloudnorm

    with Reader(path) as reader:
        x = reader.read(reader.n_frames)
        rate = reader.header.rate_hz
    whole = x.shape[1] // (rate // 10) * (rate // 10)
    if whole < 4 * (rate // 10) or x.shape[0] > 5 or not x.any():
        return None
    found = float(
        pyloudnorm.Meter(rate, filter_class="DeMan").integrated_loudness(np.ascontiguousarray(x[:, :whole].T))
    )
    return found if np.isfinite(found) else None
