"""The readings of a sound, by the names that they have everywhere: in JSON, tables, `[expect]` and baselines."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, fields

RANGE_WANTS_S = 60.0
"""Of shorter programmes the loudness range is marked (EBU Tech 3341 v4 flags the first minute; from memory)."""


@dataclass(frozen=True)
class Measured:
    """What a meter read. Levels are minus infinity for silence; None is what was not asked for, or has no value."""

    n_frames: int
    n_channels: int
    rate_hz: int
    integrated_lufs: float
    sample_peak_dbfs: float
    true_peak_dbtp: float | None = None
    momentary_max_lufs: float | None = None
    short_term_max_lufs: float | None = None
    range_lu: float | None = None
    plr_lu: float | None = None
    """True peak (or sample peak, where that was not asked for) less integrated loudness."""
    rms_dbfs: float | None = None
    """Plain: a full-scale sine reads -3.01 (AES17 would read 3.01 more)."""
    crest_db: float | None = None
    dc_dbfs: float | None = None
    """Of the channel that has most."""
    noise_floor_dbfs: float | None = None
    """Unweighted level that one 100 ms in a hundred stays under."""
    correlation: float | None = None
    side_to_mid_db: float | None = None
    clipped_runs: int | None = None
    """Runs of 3 frames and more at full scale, where a file was read."""
    above_18_khz_dbfs: float | None = None
    below_15_hz_dbfs: float | None = None
    third_octave_db: dict[str, float] | None = None
    """Level of each third octave by its nominal frequency in Hz, the mean of the channels' powers."""

    @property
    def range_is_short(self) -> bool:
        """Whether the programme is too short for its loudness range to say much."""
        return self.range_lu is not None and is_short(self.n_frames, self.rate_hz)


def is_short(n_frames: int, rate_hz: int) -> bool:
    """Whether a programme lasts less than RANGE_WANTS_S."""
    return n_frames < RANGE_WANTS_S * rate_hz


def range_text(range_lu: float | None, n_frames: int, rate_hz: int) -> str:
    """A loudness range for people, with a mark where the programme is too short for it: `5.2 short`."""
    if range_lu is None:
        return "-"
    return f"{range_lu:.1f}{' short' if is_short(n_frames, rate_hz) else ''}"


READINGS = tuple(field.name for field in fields(Measured) if field.name != "third_octave_db")
"""What is one number each."""

REASONS = {
    "integrated_lufs": "nothing is above the gate at -70 LUFS for 400 ms",
    "side_to_mid_db": "both sides are the same",
}


def finite(value: float | None, digits: int = 2) -> float | None:
    """A figure for JSON: rounded, None where there is none."""
    return round(float(value), digits) if value is not None and math.isfinite(value) else None


def measured_record(measured: Measured) -> dict[str, object]:
    """Readings as a JSON object: minus infinity becomes null, with the reason beside it."""
    record: dict[str, object] = {
        "n_frames": measured.n_frames,
        "n_channels": measured.n_channels,
        "rate_hz": measured.rate_hz,
    }
    reasons: dict[str, str] = {}
    for key, value in asdict(measured).items():
        if key in record or value is None:
            continue
        if isinstance(value, dict):
            record[key] = {name: round(level, 2) if math.isfinite(level) else None for name, level in value.items()}
            continue
        record[key] = round(value, 4) if math.isfinite(value) else None
        if not math.isfinite(value):
            silent = measured.sample_peak_dbfs == -math.inf
            reasons[key] = "silence" if silent else REASONS.get(key, "there is none")
    if reasons:
        record["reasons"] = reasons
    if measured.range_is_short:
        record["range_is_short"] = True
    return record
