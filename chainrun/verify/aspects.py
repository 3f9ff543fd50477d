"""What a check looks at, in which unit, and which checks belong together. Light: the pytest plugin asks it, too."""

from __future__ import annotations

from enum import StrEnum


class Unit(StrEnum):
    """The unit of a figure, as it is shown."""

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
"""The unit of every reading of a sound or a step, by the reading's name."""


def unit_of(quantity: str) -> Unit:
    """The unit of a reading; none for a name that is not known."""
    return UNIT_OF.get(quantity, Unit.NONE)


class Aspect(StrEnum):
    """What a check looks at; its word stands in the check's name."""

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
        """The unit of what is found."""
        return UNIT_OF_ASPECT.get(self, unit_of(self.value))


UNIT_OF_ASPECT = {
    Aspect.SAMPLES: Unit.NONE,
    Aspect.SPECTRUM: Unit.DB,
    Aspect.CURVE: Unit.LU,
    Aspect.RESIDUAL: Unit.LU,
    Aspect.EXACT_RESIDUAL: Unit.LU,
}
"""The units of aspects that are no reading of their own."""
FORMAT = {Aspect.RATE: "rate_hz", Aspect.CHANNELS: "n_channels", Aspect.LENGTH: "n_frames"}
"""What is either as it was or not, and the fact that holds it."""


class AspectGroup(StrEnum):
    """Checks of a baseline that stand together, as one item of a test run."""

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
"""The group of each aspect; expectations and the render itself are in none. Samples are whole, or as many as before."""
