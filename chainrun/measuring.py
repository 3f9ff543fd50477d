"""Measures audio files."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from chainrun.audiofile import Reader, read_header
from chainrun.errors import AudioError, Problem
from chainrun.limits import Limits
from chainrun.loudness import Analysis, Measured
from chainrun.loudness.meter import CHANNEL_WEIGHTS
from chainrun.measured import measured_record
from chainrun.problem_codes import Code


@dataclass(frozen=True)
class FileReading:
    """Readings of one file."""

    file: Path
    measured: Measured
    second_lufs: float | None = None
    """Integrated loudness by pyloudnorm; None if it gives no number or was not used."""
    has_second: bool = False
    """Whether pyloudnorm was used."""

    def record(self) -> dict[str, object]:
        """The readings as a JSON object."""
        record: dict[str, object] = {"file": str(self.file), "measured": measured_record(self.measured)}
        if self.has_second:
            own, other = self.measured.integrated_lufs, self.second_lufs
            record["second_opinion"] = {
                "meter": "pyloudnorm",
                "integrated_lufs": round(other, 4) if other is not None else None,
                "difference_lu": round(own - other, 4) if other is not None and math.isfinite(own) else None,
            }
        return record


@dataclass(frozen=True)
class FileReadings:
    """Readings of several files, and the problems of those that cannot be measured."""

    files: list[FileReading] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)

    def record(self) -> dict[str, object]:
        """The readings as one JSON document."""
        return {
            "schema_version": 1,
            "files": [one.record() for one in self.files],
            "problems": [problem.record() for problem in self.problems],
        }


def measure_files(
    files: Sequence[Path], *, oversample: int = 4, second: bool = False, limits: Limits | None = None
) -> FileReadings:
    """Measure files one after another, with `second` also by pyloudnorm. A file that cannot be read adds problems."""
    found = FileReadings()
    for file in files:
        try:
            read_header(file, limits)
            measured = measure_file(file, oversample=oversample)
            other = second_opinion(file) if second else None
        except AudioError as error:
            found.problems.extend(error.problems)
            continue
        found.files.append(FileReading(file, measured, other, second))
    return found


def measure_file(path: Path, *, oversample: int = 4) -> Measured:
    """All readings of a file of 1 to 6 channels. Raises AudioError for one that cannot be read or has more channels."""
    with Reader(path) as reader:
        header = reader.header
        if header.n_channels not in CHANNEL_WEIGHTS:
            raise AudioError(
                Problem(
                    "a file with this many channels cannot be measured",
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
    """Integrated loudness in LUFS by pyloudnorm; None if it gives no number.

    The whole file is in memory at once. It is cut to whole tenths of a second, because pyloudnorm counts incomplete
    blocks. More than 5 channels give None.
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
