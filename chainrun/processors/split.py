"""split: bands, each with a chain of its own."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

from pydantic import Field, model_validator

from chainrun.contract import Branch, Key, Keys, Misfit, Reading, Runner, Step, Stream, WetLevel, processor
from chainrun.contract.misfit import too_high
from chainrun.contract.misuse import misuse
from chainrun.problem_codes import Code
from chainrun.runtime.chain import chain_misfits
from chainrun.runtime.parallel import ParallelChains, keys_of, sum_gains, widest

if TYPE_CHECKING:
    from typing import Self

    from chainrun.dsp.arrays import Array


@processor
class Split(Step):
    """Split the signal into bands by Linkwitz-Riley crossovers, run a chain on each, and add them up in time.

    With empty chains the bands add up to an all-pass: the level stays, the phase turns around each crossover. The dry
    part of mix_pct is that sum, so that it meets the bands in phase, also at 0 %. Use bypass for the input as it is.
    """

    do: Literal["split"] = "split"
    crossovers_hz: list[float] = Field(
        min_length=1, max_length=4, description="the crossovers, in rising order; 20 to 20000 Hz"
    )
    slope_db_per_octave: Literal[24, 48] = Field(24, description="slope of the crossovers")
    bands: list[Branch] = Field(
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

    source = "S. H. Linkwitz, JAES 24(1), 1976"

    @model_validator(mode="after")
    def _bands_fit(self) -> Self:
        if len(self.bands) != len(self.crossovers_hz) + 1:
            message = f"{len(self.crossovers_hz)} crossovers make {len(self.crossovers_hz) + 1} bands"
            raise misuse(Code.WRONG_LENGTH, message)
        if any(high <= low for low, high in pairwise(self.crossovers_hz)):
            raise misuse(Code.WRONG_ORDER, "the crossovers must rise")
        if any(not 20.0 <= freq <= 20000.0 for freq in self.crossovers_hz):
            raise misuse(Code.OUT_OF_RANGE, "a crossover must be between 20 and 20000 Hz")
        return self

    def in_words(self) -> str:
        borders = " and ".join(f"{hz:g} Hz" for hz in self.crossovers_hz)
        return f"bands split at {borders}, each with its own steps"

    def changes_nothing(self) -> bool:
        return False  # the phase turns, whatever the mix

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
        from chainrun.dsp.delay_line import DelayLine

        order = step.slope_db_per_octave // 6
        self._filters = [Cascade(part) for part in band_sections(step.crossovers_hz, order, stream.rate_hz)]
        self._states = [one.start_state(stream.n_channels) for one in self._filters]
        self._parallel = ParallelChains([band.chain for band in step.bands], sum_gains(step.bands), stream)
        self.n_channels_out, self.latency_frames = self._parallel.n_channels_out, self._parallel.latency_frames
        self.tail_frames = max(one.tail_frames() for one in self._filters) + self._parallel.tail_frames
        self.own_dry = step.mix_pct < 100.0
        self._line = DelayLine(stream.n_channels, self.latency_frames)

    def run(self, x: Array, keys: Keys) -> Array:
        import numpy as np

        parts = []
        for i, one in enumerate(self._filters):
            part, self._states[i] = one.run(x, self._states[i])
            parts.append(part)
        if self.own_dry:
            # The bands as they are before their chains: those may not change their input.
            self._dry = self._line.run(np.sum(parts, axis=0))
        return self._parallel.run(parts, keys)

    def dry_part(self) -> Array:
        return self._dry

    def readings(self) -> list[Reading]:
        return self._parallel.readings("bands.{}.chain")

    def wet_levels(self) -> list[WetLevel]:
        return self._parallel.wet_levels("bands.{}.chain")

    def notes(self) -> list[str]:
        return self._parallel.notes()
