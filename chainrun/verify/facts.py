"""Facts of a baseline about sounds and recordings: numbers, and long series as lines of text."""

from __future__ import annotations

import base64
import math
from typing import NamedTuple, Self

import numpy as np
from pydantic import ConfigDict, Field, model_validator

from chainrun.contract import StrictModel
from chainrun.dsp.arrays import Array
from chainrun.dsp.sketch import LINES
from chainrun.loudness.analysis import NOMINAL_HZ

SILENT_DB = -200.0
"""Stands for silence or a missing reading, since TOML has neither null nor a short infinity."""
MAX_LINE_CHARACTERS = 1 << 20
QUANTITIES = (
    "integrated_lufs", "momentary_max_lufs", "short_term_max_lufs", "range_lu", "true_peak_dbtp", "sample_peak_dbfs",
    "rms_dbfs", "correlation", "side_to_mid_db",
)  # fmt: skip
"""Readings of a sound that a baseline keeps."""
FREQS_HZ = 41.0 * 2.0 ** (np.arange(24) / 3.0)
"""Frequencies at which a recording is analysed: third octaves from 41 Hz to 8.3 kHz, off the nominal ones."""


class LongLines(StrictModel):
    """A model whose texts may be long: a sketch grows with the music."""

    model_config = ConfigDict(str_max_length=MAX_LINE_CHARACTERS)


class SoundFacts(LongLines):
    """Facts about a sound: a delivered file, or a node's print."""

    rate_hz: int = Field(ge=1)
    n_channels: int = Field(ge=1, le=64)
    n_frames: int = Field(ge=0)
    integrated_lufs: float
    momentary_max_lufs: float
    short_term_max_lufs: float
    range_lu: float
    true_peak_dbtp: float
    sample_peak_dbfs: float
    rms_dbfs: float
    correlation: float
    side_to_mid_db: float
    third_octaves_db: str
    curve_step_s: int = Field(ge=1, le=86400)
    curve_lufs: str
    sketch: str

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        bands, curve = self.third_octaves(), self.curve()
        rows = -(-self.n_frames // (self.rate_hz * self.curve_step_s))
        if len(bands) != len(NOMINAL_HZ):
            raise ValueError("third_octaves_db must have one level for each band")
        if len(curve) > rows + 1 or not np.isfinite(np.concatenate([bands, curve])).all():
            raise ValueError("a curve is longer than the sound, or some values are not numbers")
        if len(self.sums()) != rows:
            raise ValueError("the sketch and the sound differ in length")
        return self

    def third_octaves(self) -> Array:
        """Level of each third octave in dBFS, in the order of their nominal frequencies."""
        return from_one_line(self.third_octaves_db)

    def bands_db(self) -> dict[str, float]:
        """Level of each third octave in dBFS by nominal frequency; minus infinity for silence."""
        return {
            f"{hz:g}": float(level) if level > SILENT_DB else -math.inf
            for hz, level in zip(NOMINAL_HZ, self.third_octaves(), strict=False)
        }

    def curve(self) -> Array:
        """Short-term loudness in LUFS, a value for each `curve_step_s` seconds."""
        return from_one_line(self.curve_lufs)

    def sums(self) -> Array:
        """The sketch, shape (n_steps, LINES)."""
        return unpacked(self.sketch)

    @property
    def lasts_s(self) -> float:
        """Length in seconds."""
        return self.n_frames / self.rate_hz

    def comparable(self, other: SoundFacts) -> bool:
        """Whether two sketches can be compared: they need the same rate and number of channels."""
        return self.rate_hz == other.rate_hz and self.n_channels == other.n_channels


class DeliveryFacts(SoundFacts):
    """Facts about a delivered file."""

    pcm_sha256: str
    encoding: str
    audio_sha256: str | None = None
    """Hash of the baseline's own audio, if that was kept."""

    def record(self) -> dict[str, object]:
        """The facts as a table of a baseline."""
        facts = self.model_dump(exclude_none=True)
        return {key: facts[key] for key in ("pcm_sha256", "encoding", *facts)}


class ReadingName(NamedTuple):
    """Name of a reading of a node's chain: step and quantity."""

    step: str
    quantity: str

    def __str__(self) -> str:
        """The name as in a baseline: `chain.squash.gain_reduction_max_db`."""
        return f"{self.step}.{self.quantity}"


class NodeFacts(SoundFacts):
    """Facts about a node's print."""

    kind: str
    identity: str
    pcm_crc32: int
    readings: dict[str, float] = Field(default_factory=dict)

    def reading_by_name(self) -> dict[ReadingName, float]:
        """Readings of the chain's steps by name."""
        return {
            ReadingName(step, quantity): value
            for (step, _, quantity), value in ((key.rpartition("."), value) for key, value in self.readings.items())
        }

    def record(self) -> dict[str, object]:
        """The facts as a table of a baseline."""
        facts = self.model_dump(exclude={"readings"} if not self.readings else None)
        return {key: facts[key] for key in ("kind", "identity", "pcm_crc32", *facts)}


class RecordingFacts(LongLines):
    """Facts about a stem's files before any processing; one line for each channel."""

    rate_hz: int = Field(ge=1)
    n_frames: int = Field(ge=0)
    step_s: int = Field(ge=1, le=86400)
    waves: list[str] = Field(max_length=8)
    """Fourier sums of the samples at FREQS_HZ, for each channel."""
    levels_db: list[str] = Field(max_length=8)
    peaks_db: list[str] = Field(max_length=8)

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if not len(self.waves) == len(self.levels_db) == len(self.peaks_db):
            raise ValueError("a channel lacks a line")
        waves = [unpacked_waves(one) for one in self.waves]
        levels, peaks = (np.array([from_one_line(one) for one in lines]) for lines in (self.levels_db, self.peaks_db))
        if any(one.size != FREQS_HZ.size for one in waves):
            raise ValueError("a line of waves must have one for each frequency")
        if levels.shape != peaks.shape or not np.isfinite([levels, peaks]).all() or not np.isfinite(waves).all():
            raise ValueError("levels and peaks do not fit together")
        return self


def in_one_line(values: Array) -> str:
    """Levels as text in one line, so that a diff stays short."""
    return " ".join(f"{max(SILENT_DB, float(value)):.2f}" for value in values)


def from_one_line(text: str) -> Array:
    """Levels from `in_one_line`. Raises ValueError."""
    return np.array([float(word) for word in text.split()])


def packed(sketch: Array) -> str:
    """A sketch as base64 text."""
    return base64.b64encode(np.ascontiguousarray(sketch, dtype="<f4").tobytes()).decode()


def unpacked(text: str) -> Array:
    """A sketch from `packed`. Raises ValueError."""
    values = np.frombuffer(base64.b64decode(text, validate=True), dtype="<f4").astype(np.float64)
    return values.reshape(-1, LINES)


def packed_waves(sums: Array) -> str:
    """A channel's Fourier sums as base64 text."""
    return base64.b64encode(np.ascontiguousarray(sums).astype("<c8").tobytes()).decode()


def unpacked_waves(text: str) -> Array:
    """Fourier sums from `packed_waves`. Raises ValueError."""
    return np.frombuffer(base64.b64decode(text, validate=True), dtype="<c8").astype(complex)
