"""branches: several chains side by side on the same input."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Literal

from pydantic import Field

from chainrun.contract import Branch, Key, Keys, Misfit, Reading, Runner, Step, Stream, WetLevel, processor
from chainrun.runtime.chain import chain_misfits
from chainrun.runtime.parallel import ParallelChains, keys_of, sum_gains, widest

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array


@processor
class Branches(Step):
    """Run parallel chains on the same input and add them up, each at its level and all in time."""

    do: Literal["branches"] = "branches"
    branches: list[Branch] = Field(min_length=1, max_length=16, description="the parallel chains")

    example = {
        "branches": [
            {"chain": []},
            {"level_db": -12.0, "chain": [{"do": "compressor", "threshold_dbfs": -40.0, "ratio": 10.0}]},
        ]
    }
    unity = {"branches": [{}]}

    def in_words(self) -> str:
        return f"{len(self.branches)} parallel chains, added up"

    def start(self, stream: Stream) -> Runner:
        return _BranchesRunner(self, stream)

    def channels_out(self, n_channels: int) -> int:
        return widest([branch.chain for branch in self.branches], n_channels)

    def listens_to(self) -> tuple[Key, ...]:
        return () if self.bypass else keys_of(branch.chain for branch in self.branches)

    def inner_chains(self) -> Iterable[tuple[str, list[Step]]]:
        return [(f"branches.{i}.chain", list(branch.chain)) for i, branch in enumerate(self.branches)]

    def misfits(self, stream: Stream) -> list[Misfit]:
        return [misfit for path, chain in self.inner_chains() for misfit in chain_misfits(chain, stream, f"{path}.")]


class _BranchesRunner(Runner):
    def __init__(self, step: Branches, stream: Stream):
        self._parallel = ParallelChains([branch.chain for branch in step.branches], sum_gains(step.branches), stream)
        self._count = len(step.branches)
        self.n_channels_out = self._parallel.n_channels_out
        self.latency_frames, self.tail_frames = self._parallel.latency_frames, self._parallel.tail_frames

    def run(self, x: Array, keys: Keys) -> Array:
        return self._parallel.run([x] * self._count, keys)

    def readings(self) -> list[Reading]:
        return self._parallel.readings("branches.{}.chain")

    def wet_levels(self) -> list[WetLevel]:
        return self._parallel.wet_levels("branches.{}.chain")

    def notes(self) -> list[str]:
        return self._parallel.notes()
