"""eq: bands of second-order filters, run as one cascade."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field

from chainrun.contract import Keys, Misfit, Runner, Step, Stream, StrictModel, processor
from chainrun.contract.step import too_high

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array

SHELF_Q = 0.7071
Slope = Literal[6, 12, 18, 24, 30, 36, 42, 48]


class _Band(StrictModel):
    freq_hz: float = Field(ge=10, le=40000, description="where the band sits")
    bypass: bool = Field(False, description="leave the band out")
    note: str | None = Field(None, description="free text")

    def sections(self, rate_hz: int) -> Array:
        """The band's second-order sections, shape (n, 6)."""
        raise NotImplementedError


class Bell(_Band):
    """Raises or lowers a region around freq_hz."""

    kind: Literal["bell"]
    gain_db: float = Field(ge=-30, le=30, description="gain at freq_hz")
    q: float = Field(1.0, ge=0.1, le=60, description="freq_hz over the bandwidth at half the gain in dB")

    def sections(self, rate_hz: int) -> Array:
        from chainrun.dsp import biquad

        return biquad.bell(self.freq_hz, self.gain_db, self.q, rate_hz)[None, :]


class LowShelf(_Band):
    """Raises or lowers all below freq_hz."""

    kind: Literal["low_shelf"]
    gain_db: float = Field(ge=-30, le=30, description="gain of the shelf; half of it at freq_hz")
    q: float = Field(SHELF_Q, ge=0.1, le=5, description="steepness; 0.71 is the steepest without overshoot")

    def sections(self, rate_hz: int) -> Array:
        from chainrun.dsp import biquad

        return biquad.low_shelf(self.freq_hz, self.gain_db, self.q, rate_hz)[None, :]


class HighShelf(_Band):
    """Raises or lowers all above freq_hz."""

    kind: Literal["high_shelf"]
    gain_db: float = Field(ge=-30, le=30, description="gain of the shelf; half of it at freq_hz")
    q: float = Field(SHELF_Q, ge=0.1, le=5, description="steepness; 0.71 is the steepest without overshoot")

    def sections(self, rate_hz: int) -> Array:
        from chainrun.dsp import biquad

        return biquad.high_shelf(self.freq_hz, self.gain_db, self.q, rate_hz)[None, :]


class LowCut(_Band):
    """Cuts below freq_hz, where it is 3 dB down (Butterworth)."""

    kind: Literal["low_cut"]
    slope_db_per_octave: Slope = Field(12, description="steepness")

    def sections(self, rate_hz: int) -> Array:
        from chainrun.dsp import biquad

        return biquad.butterworth(self.slope_db_per_octave // 6, self.freq_hz, rate_hz, high=True)


class HighCut(_Band):
    """Cuts above freq_hz, where it is 3 dB down (Butterworth)."""

    kind: Literal["high_cut"]
    slope_db_per_octave: Slope = Field(12, description="steepness")

    def sections(self, rate_hz: int) -> Array:
        from chainrun.dsp import biquad

        return biquad.butterworth(self.slope_db_per_octave // 6, self.freq_hz, rate_hz, high=False)


class Notch(_Band):
    """Takes out freq_hz."""

    kind: Literal["notch"]
    q: float = Field(10.0, ge=0.1, le=200, description="freq_hz over the bandwidth at -3 dB")

    def sections(self, rate_hz: int) -> Array:
        from chainrun.dsp import biquad

        return biquad.notch(self.freq_hz, self.q, rate_hz)[None, :]


class BandPass(_Band):
    """Keeps a region around freq_hz, with 0 dB there."""

    kind: Literal["band_pass"]
    q: float = Field(1.0, ge=0.1, le=60, description="freq_hz over the bandwidth at -3 dB")

    def sections(self, rate_hz: int) -> Array:
        from chainrun.dsp import biquad

        return biquad.band_pass(self.freq_hz, self.q, rate_hz)[None, :]


class AllPass(_Band):
    """Turns the phase around freq_hz by 180 degrees, and no level."""

    kind: Literal["all_pass"]
    q: float = Field(0.7071, ge=0.1, le=60, description="how fast the phase turns")

    def sections(self, rate_hz: int) -> Array:
        from chainrun.dsp import biquad

        return biquad.all_pass(self.freq_hz, self.q, rate_hz)[None, :]


Band = Annotated[
    Bell | LowShelf | HighShelf | LowCut | HighCut | Notch | BandPass | AllPass,
    Field(discriminator="kind"),
]


@processor
class Eq(Step):
    """Equalise: bell, shelf, cut, notch, band-pass and all-pass bands, in one cascade of second-order sections."""

    do: Literal["eq"] = "eq"
    bands: list[Band] = Field(min_length=1, max_length=32, description="the bands, in any order")

    example = {
        "bands": [
            {"kind": "low_cut", "freq_hz": 60, "slope_db_per_octave": 24},
            {"kind": "bell", "freq_hz": 400, "gain_db": -4.0, "q": 1.4},
            {"kind": "high_shelf", "freq_hz": 8000, "gain_db": 2.5},
        ]
    }
    unity = {"bands": [{"kind": "bell", "freq_hz": 1000, "gain_db": 0.0}]}
    linear = True
    source = "W3C Working Group Note Audio EQ Cookbook, 8 June 2021; Butterworth cuts"

    def start(self, stream: Stream) -> Runner:
        import numpy as np

        sections = [band.sections(stream.rate_hz) for band in self.bands if not band.bypass]
        return _EqRunner(stream.n_channels, np.concatenate(sections) if sections else None)

    def misfits(self, stream: Stream) -> list[Misfit]:
        return [
            misfit
            for i, band in enumerate(self.bands)
            for misfit in too_high(f"bands.{i}.freq_hz", band.freq_hz, stream)
        ]


class _EqRunner(Runner):
    def __init__(self, n_channels: int, sections: Array | None):
        from chainrun.dsp.biquad import Cascade

        self.n_channels_out = n_channels
        self._cascade = Cascade(sections) if sections is not None else None
        if self._cascade is not None:
            self._state = self._cascade.start_state(n_channels)
            self.tail_frames = self._cascade.tail_frames()

    def run(self, x: Array, keys: Keys) -> Array:
        if self._cascade is None:
            return x.copy()
        y, self._state = self._cascade.run(x, self._state)
        return y
