"""split: bands, each with a chain of its own."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

from pydantic import Field, model_validator

from chainrun.contract import Key, Keys, Misfit, Reading, Runner, Step, Stream, StrictModel, WetLevel, processor
from chainrun.contract.misfit import too_high
from chainrun.contract.misuse import misuse
from chainrun.problem_codes import Code
from chainrun.runtime.chain import chain_misfits
from chainrun.runtime.parallel import ParallelChains, keys_of, widest

if TYPE_CHECKING:
    from typing import Self

    from chainrun.contract import Step as AnyStep
    from chainrun.dsp.arrays import Array


class SplitBand(StrictModel):
    """One band, from the crossover below it to the one above."""

    chain: list[AnyStep] = Field(default_factory=list, max_length=64, description="the steps of this band")
    level_db: float = Field(0.0, ge=-120, le=24, description="level of this band in the sum")
    mute: bool = Field(False, description="leave this band out of the sum")
    solo: bool = Field(False, description="leave out all bands that are not solo")
    note: str | None = Field(None, description="free text")


@processor
class Split(Step):
    """Split into bands by Linkwitz-Riley crossovers, run a chain on each, and add them up in time.

    With empty chains the bands add up to an all-pass: the level stays, the phase turns around each crossover.
    """

    do: Literal["split"] = "split"
    crossovers_hz: list[float] = Field(min_length=1, max_length=4, description="the crossovers, rising; 20 to 20000 Hz")
    order: Literal[4, 8] = Field(4, description="4: 24 dB/octave, 8: 48 dB/octave")
    bands: list[SplitBand] = Field(
        min_length=2, max_length=5, description="the bands, lowest first; one more than crossovers"
    )

    example = {
        "crossovers_hz": [180.0, 3500.0],
        "bands": [
            {"chain": [{"do": "compressor", "threshold_dbfs": -30.0}]},
            {},
            {"level_db": -1.5},
        ],
    }

    source = "S. H. Linkwitz, JAES 24(1):2-8, 1976"

    @model_validator(mode="after")
    def _bands_fit(self) -> Self:
        if self.mix_pct < 100.0:
            message = "mix_pct would leave notches at the crossovers: give it to the steps inside the bands"
            raise misuse(Code.KEYS_CLASH, message)
        if len(self.bands) != len(self.crossovers_hz) + 1:
            message = f"{len(self.crossovers_hz)} crossovers make {len(self.crossovers_hz) + 1} bands"
            raise misuse(Code.WRONG_LENGTH, message)
        if any(high <= low for low, high in pairwise(self.crossovers_hz)):
            raise misuse(Code.WRONG_ORDER, "the crossovers must rise")
        if any(not 20.0 <= freq <= 20000.0 for freq in self.crossovers_hz):
            raise misuse(Code.OUT_OF_RANGE, "a crossover lies between 20 and 20000 Hz")
        return self

    def in_words(self) -> str:
        borders = " and ".join(f"{hz:g} Hz" for hz in self.crossovers_hz)
        return f"parted at {borders}; each band has steps of its own"

    def start(self, stream: Stream) -> Runner:
        return _SplitRunner(self, stream)

    def channels_out(self, n_channels: int) -> int:
        return widest([band.chain for band in self.bands], n_channels)

    def listens_to(self) -> tuple[Key, ...]:
        return () if self.bypass else keys_of(band.chain for band in self.bands)

    def inner_chains(self) -> Iterable[tuple[str, list[Step]]]:
        return [(f"bands.{i}.chain", list(band.chain)) for i, band in enumerate(self.bands)]

    def misfits(self, stream: Stream) -> list[Misfit]:
        found = [m for i, freq in enumerate(self.crossovers_hz) for m in too_high(f"crossovers_hz.{i}", freq, stream)]
        for path, chain in self.inner_chains():
            found += chain_misfits(chain, stream, f"{path}.")
        return found


class _SplitRunner(Runner):
    def __init__(self, step: Split, stream: Stream):
        from chainrun.dsp.cascade import Cascade
        from chainrun.dsp.crossover import band_sections
        from chainrun.units import db_to_gain

        self._filters = [Cascade(part) for part in band_sections(step.crossovers_hz, step.order, stream.rate_hz)]
        self._states = [one.start_state(stream.n_channels) for one in self._filters]
        any_solo = any(band.solo for band in step.bands)
        silent = [band.mute or (any_solo and not band.solo) for band in step.bands]
        gains = [0.0 if off else db_to_gain(band.level_db) for band, off in zip(step.bands, silent, strict=True)]
        self._parallel = ParallelChains([band.chain for band in step.bands], gains, stream)
        self.n_channels_out, self.latency_frames = self._parallel.n_channels_out, self._parallel.latency_frames
        self.tail_frames = max(one.tail_frames() for one in self._filters) + self._parallel.tail_frames

    def run(self, x: Array, keys: Keys) -> Array:
        parts = []
        for i, one in enumerate(self._filters):
            part, self._states[i] = one.run(x, self._states[i])
            parts.append(part)
        return self._parallel.run(parts, keys)

    def readings(self) -> list[Reading]:
        return self._parallel.readings("bands.{}.chain")

    def wet_levels(self) -> list[WetLevel]:
        return self._parallel.wet_levels("bands.{}.chain")

    def notes(self) -> list[str]:
        return self._parallel.notes()
