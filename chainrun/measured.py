"""Readings of a sound, with the same names in JSON, tables, `[expect]` and baselines."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, fields

MIN_RANGE_S = 60.0
"""Minimum length of a programme for a meaningful loudness range; for shorter ones it is marked."""


@dataclass(frozen=True)
class Measured:
    """Readings of a meter. Levels are minus infinity for silence; None: no value, or not requested."""

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
    """True peak (sample peak if that was not measured) minus integrated loudness."""
    rms_dbfs: float | None = None
    """Plain RMS: a full-scale sine has -3.01 (AES17 would give 3.01 more)."""
    crest_db: float | None = None
    dc_dbfs: float | None = None
    """Magnitude of DC in the channel with the most."""
    noise_floor_dbfs: float | None = None
    """Unweighted level that 1 % of the 100 ms stretches are below."""
    correlation: float | None = None
    side_to_mid_db: float | None = None
    clipped_runs: int | None = None
    """Runs of 3 or more frames at full scale, for a file."""
    above_18_khz_dbfs: float | None = None
    below_15_hz_dbfs: float | None = None
    third_octave_db: dict[str, float] | None = None
    """Level of each third octave in dBFS, by nominal frequency in Hz; from the mean of the channels' powers."""

    @property
    def range_is_short(self) -> bool:
        """Whether there is a loudness range, and the programme is too short for it."""
        return self.range_lu is not None and is_short(self.n_frames, self.rate_hz)


def is_short(n_frames: int, rate_hz: int) -> bool:
    """Whether a programme is shorter than MIN_RANGE_S."""
    return n_frames < MIN_RANGE_S * rate_hz


def range_text(range_lu: float | None, n_frames: int, rate_hz: int) -> str:
    """Text of a loudness range, with a mark if the programme is too short for it: `5.2 short`."""
    if range_lu is None:
        return "-"
    return f"{range_lu:.1f}{' short' if is_short(n_frames, rate_hz) else ''}"


READINGS = tuple(field.name for field in fields(Measured) if field.name != "third_octave_db")
"""Readings that are single numbers."""

REASONS = {
    "integrated_lufs": "nothing is above the gate at -70 LUFS for 400 ms",
    "side_to_mid_db": "left and right are the same",
}


def finite(value: float | None, digits: int = 2) -> float | None:
    """Number for JSON: rounded; None if it is None or not finite."""
    return round(float(value), digits) if value is not None and math.isfinite(value) else None


def measured_record(measured: Measured) -> dict[str, object]:
    """Readings as a JSON object; minus infinity becomes null, with a reason under `reasons`."""
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
            reasons[key] = "silence" if silent else REASONS.get(key, "no value")
    if reasons:
        record["reasons"] = reasons
    if measured.range_is_short:
        record["range_is_short"] = True
    return record
