"""dynamic_eq: bands whose gain depends on their level."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from chainrun.contract import Keyed, Misfit, Reading, Runner, Stream, ThresholdFields, processor
from chainrun.contract.misfit import too_high
from chainrun.contract.words import hertz
from chainrun.runtime import DynamicsRunner, ReductionRecorder

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array


class DynamicBand(ThresholdFields):
    """Frequency region whose gain changes while its level is above the threshold."""

    kind: Literal["bell", "low_shelf", "high_shelf"] = Field(description="shape of the region")
    freq_hz: float = Field(ge=20, le=20000, description="centre, or corner of a shelf")
    q: float = Field(1.4, ge=0.1, le=20, description="freq_hz divided by the bandwidth of a bell")
    direction: Literal["down", "up"] = Field("down", description="above the threshold the region is turned down, or up")
    ratio: float = Field(
        3.0,
        ge=1,
        le=100,
        description="dB of level for each dB of output, above the threshold; up: adds as many dB as down removes",
    )
    knee_db: float = Field(6.0, ge=0, le=60, description="width of the soft knee around the threshold")
    range_db: float = Field(12.0, ge=0, le=40, description="maximum change of the gain")
    attack_ms: float = Field(3.0, ge=0, le=1000, description="time constant while the change grows (63.2 %)")
    release_ms: float = Field(80.0, ge=0.1, le=10000, description="time constant while the change shrinks")
    bypass: bool = Field(False, description="leave the band out")
    note: str | None = Field(None, description="free text")

    def in_words(self) -> str:
        """Kind, ratio and limits of the band: `bell 7 kHz down 4:1 above -30 dBFS, at most 12 dB`."""
        kind = self.kind.replace("_", " ")
        if self.threshold_dbfs is not None:
            above = f"{self.threshold_dbfs:g} dBFS"
        else:
            above = f"a threshold {self.threshold_below_hits_db:g} dB below the hits"
        what = f"{kind} {hertz(self.freq_hz)} {self.direction} {self.ratio:g}:1"
        return f"{what} above {above}, at most {self.range_db:g} dB"

    def sections(self, rate_hz: int) -> Array:
        """Sections of the filter of the region, 0 dB at its middle, through which the band listens and acts."""
        from chainrun.dsp import biquad

        if self.kind == "bell":
            return biquad.band_pass(self.freq_hz, self.q, rate_hz)[None, :]
        return biquad.first_order(self.freq_hz, rate_hz, high=self.kind == "high_shelf")[None, :]


@processor
class DynamicEq(Keyed):
    """Turn regions down (or up) while they are loud: each band in turn computes y = x + (gain - 1) times its region.

    Bells listen and act through a band-pass, shelves through a first-order low- or high-pass. The gain of each changes
    like a compressor's, with its own threshold, ratio, attack and release. De-essing and taming of cymbals are uses.
    All bands listen to the step's input, or to its key, through their own region; `listen` outputs these regions.
    """

    do: Literal["dynamic_eq"] = "dynamic_eq"
    bands: list[DynamicBand] = Field(min_length=1, max_length=8, description="the regions")
    lookahead_ms: float = Field(
        0.0, ge=0, le=20, description="starts the change this much before the peak; the latency is compensated"
    )
    stereo_link_pct: float = Field(
        100.0, ge=0, le=100, description="0: each channel has its own gain; 100: one gain for all, set by the loudest"
    )

    example = {"bands": [{"kind": "bell", "freq_hz": 7000.0, "threshold_dbfs": -30.0, "ratio": 4.0}]}
    unity = {"bands": [{"kind": "bell", "freq_hz": 7000.0, "threshold_dbfs": -30.0, "ratio": 1.0}]}
    source = "curve and smoother: JAES 60(6), 2012; band-pass: Audio EQ Cookbook, 8 June 2021"

    def in_words(self) -> str:
        words = "; ".join(band.in_words() for band in self.bands if not band.bypass) or "all bands bypassed"
        return f"{words}, keyed from {' and '.join(self.key.sources)}" if self.key is not None else words

    def start(self, stream: Stream) -> Runner:
        return _DynamicEqRunner(self, stream)

    def misfits(self, stream: Stream) -> list[Misfit]:
        found = super().misfits(stream)
        for i, band in enumerate(self.bands):
            found += too_high(f"bands.{i}.freq_hz", band.freq_hz, stream)
            found += band.threshold_misfits(self.hit_level(stream), keyed=self.key is not None, prefix=f"bands.{i}.")
        return found


class _Region:
    """Runs one band: its side chain and its gain."""

    def __init__(
        self, index: int, band: DynamicBand, step: DynamicEq, stream: Stream, *, sidechain_channels: int, late: int
    ):
        from chainrun.dsp.cascade import Cascade
        from chainrun.dsp.compression import Ballistics, SideChain, SideState
        from chainrun.dsp.gain_computer import DownwardCurve

        self.index = index
        self._sign = -1.0 if band.direction == "down" else 1.0
        self._filter = Cascade(band.sections(stream.rate_hz))
        self._state = self._filter.start_state(stream.n_channels)
        self._sidechain_state = self._filter.start_state(sidechain_channels)
        curve = DownwardCurve(band.threshold_at(step.hit_level(stream)), band.ratio, band.knee_db, band.range_db)
        self._chain = SideChain(curve, Ballistics(band.attack_ms, band.release_ms), stream.rate_hz, stream.scratch())
        self._n_detectors = stream.detectors(sidechain_channels, step.stereo_link_pct)
        self._link = step.stereo_link_pct if self._n_detectors > 1 else 100.0
        self._sides = [SideState()] * self._n_detectors
        self.recorder = ReductionRecorder(stream, late)
        self.tail_frames = self._filter.tail_frames()

    def signal(self, sidechain: Array) -> Array:
        """Region of the side chain."""
        region, self._sidechain_state = self._filter.run(sidechain, self._sidechain_state)
        return region

    def act(self, y: Array, sidechain: Array) -> Array:
        """Apply a gain to the region in y, depending on the level of the region in the side chain; returns y."""
        import numpy as np

        from chainrun.dsp.level import linked_level

        part, self._state = self._filter.run(y, self._state)
        moved: Array | None = None
        for i, row in enumerate(linked_level(sidechain, self._link)):
            change, self._sides[i] = self._chain.run(row, self._sides[i])
            if change is None:
                continue
            channels = slice(i, i + 1) if self._n_detectors > 1 else slice(None)
            part[channels] *= np.exp2(self._sign * change) - 1.0
            y = y.copy() if moved is None else y
            y[channels] += part[channels]
            moved = change if moved is None else np.maximum(moved, change)
        self.recorder.count(moved * -self._sign if moved is not None else None, y.shape[1])
        return y


class _DynamicEqRunner(DynamicsRunner):
    def __init__(self, step: DynamicEq, stream: Stream):
        super().__init__(step, stream, step.lookahead_ms, step.stereo_link_pct)
        self._regions = [
            _Region(
                i, band, step, stream, sidechain_channels=self._sidechain_filter.n_channels, late=self.latency_frames
            )
            for i, band in enumerate(step.bands)
            if not band.bypass
        ]
        self.tail_frames = sum(region.tail_frames for region in self._regions)
        self._sidechain: Array | None = None

    def shape(self, late: Array, sidechain: Array) -> Array:
        self._sidechain = sidechain * 0.0
        y = late
        for region in self._regions:
            own = region.signal(sidechain)
            y = region.act(y, own)
            self._sidechain += own
        return y

    def listened(self, sidechain: Array) -> Array:
        return sidechain if self._sidechain is None else self._sidechain

    def readings(self) -> list[Reading]:
        return [region.recorder.reading("dynamic_eq").under(f"bands.{region.index}") for region in self._regions]
