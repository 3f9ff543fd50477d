"""Aspects of checks, their units and their groups. Imports little: the pytest plugin needs it at start."""

from __future__ import annotations

from enum import StrEnum


class Unit(StrEnum):
    """Unit of a figure, as shown."""

    LUFS = "LUFS"
    LU = "LU"
    DBTP = "dBTP"
    DBFS = "dBFS"
    DB = "dB"
    PERCENT = "%"
    HERTZ = "Hz"
    NONE = ""


UNIT_OF = {
    "n_frames": Unit.NONE,
    "n_channels": Unit.NONE,
    "rate_hz": Unit.HERTZ,
    "integrated_lufs": Unit.LUFS,
    "sample_peak_dbfs": Unit.DBFS,
    "true_peak_dbtp": Unit.DBTP,
    "momentary_max_lufs": Unit.LUFS,
    "short_term_max_lufs": Unit.LUFS,
    "range_lu": Unit.LU,
    "plr_lu": Unit.LU,
    "rms_dbfs": Unit.DBFS,
    "crest_db": Unit.DB,
    "dc_dbfs": Unit.DBFS,
    "noise_floor_dbfs": Unit.DBFS,
    "correlation": Unit.NONE,
    "side_to_mid_db": Unit.DB,
    "clipped_runs": Unit.NONE,
    "above_18_khz_dbfs": Unit.DBFS,
    "below_15_hz_dbfs": Unit.DBFS,
    "gain_reduction_max_db": Unit.DB,
    "gain_reduction_mean_db": Unit.DB,
    "gain_reduction_working_pct": Unit.PERCENT,
    "wet_to_dry_db": Unit.DB,
}
"""Unit of every reading of a sound or a step, by the reading's name."""


def unit_of(quantity: str) -> Unit:
    """Unit of a reading; NONE for an unknown name."""
    return UNIT_OF.get(quantity, Unit.NONE)


class Aspect(StrEnum):
    """Aspect that a check judges; its value is part of the check's name."""

    SAMPLES = "baseline"
    RATE = "rate"
    CHANNELS = "channels"
    LENGTH = "length"
    ENCODING = "encoding"
    INTEGRATED = "integrated_lufs"
    MOMENTARY = "momentary_max_lufs"
    SHORT_TERM = "short_term_max_lufs"
    RANGE = "range_lu"
    TRUE_PEAK = "true_peak_dbtp"
    CORRELATION = "correlation"
    SIDE = "side_to_mid_db"
    SPECTRUM = "third octaves"
    CURVE = "loudness over time"
    RESIDUAL = "residual"
    EXACT_RESIDUAL = "exact residual"
    EXPECTATION = "expect"
    RENDER = "delivery"

    @property
    def unit(self) -> Unit:
        """Unit of the measured value."""
        return UNIT_OF_ASPECT.get(self, unit_of(self.value))


UNIT_OF_ASPECT = {
    Aspect.SAMPLES: Unit.NONE,
    Aspect.SPECTRUM: Unit.DB,
    Aspect.CURVE: Unit.LU,
    Aspect.RESIDUAL: Unit.LU,
    Aspect.EXACT_RESIDUAL: Unit.LU,
}
"""Units of aspects that are not readings."""
FORMAT = {Aspect.RATE: "rate_hz", Aspect.CHANNELS: "n_channels", Aspect.LENGTH: "n_frames"}
"""Aspects that must be equal, with the name of the fact that holds each."""


class AspectGroup(StrEnum):
    """Groups of baseline checks; each group is one item of a pytest run."""

    SAMPLES = "samples"
    LOUDNESS = "loudness"
    TRUE_PEAK = "true_peak"
    SPECTRUM = "spectrum"
    IMAGE = "image"
    RESIDUAL = "residual"


GROUP_OF = {
    Aspect.SAMPLES: AspectGroup.SAMPLES,
    Aspect.RATE: AspectGroup.SAMPLES,
    Aspect.CHANNELS: AspectGroup.SAMPLES,
    Aspect.LENGTH: AspectGroup.SAMPLES,
    Aspect.ENCODING: AspectGroup.SAMPLES,
    Aspect.INTEGRATED: AspectGroup.LOUDNESS,
    Aspect.MOMENTARY: AspectGroup.LOUDNESS,
    Aspect.SHORT_TERM: AspectGroup.LOUDNESS,
    Aspect.RANGE: AspectGroup.LOUDNESS,
    Aspect.CURVE: AspectGroup.LOUDNESS,
    Aspect.TRUE_PEAK: AspectGroup.TRUE_PEAK,
    Aspect.SPECTRUM: AspectGroup.SPECTRUM,
    Aspect.CORRELATION: AspectGroup.IMAGE,
    Aspect.SIDE: AspectGroup.IMAGE,
    Aspect.RESIDUAL: AspectGroup.RESIDUAL,
    Aspect.EXACT_RESIDUAL: AspectGroup.RESIDUAL,
}
"""Group of each aspect; expectations and failures of the render itself are in none."""
