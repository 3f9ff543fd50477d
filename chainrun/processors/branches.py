"""branches: several chains side by side on the same input."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Literal

from pydantic import Field

from chainrun.contract import Key, Keys, Misfit, Reading, Runner, Step, Stream, StrictModel, WetLevel, processor
from chainrun.runtime.chain import chain_misfits
from chainrun.runtime.parallel import ParallelChains, keys_of, widest

if TYPE_CHECKING:
    from chainrun.contract import Step as AnyStep
    from chainrun.dsp.arrays import Array


class Branch(StrictModel):
    """One of the parallel chains."""

    chain: list[AnyStep] = Field(default_factory=list, max_length=64, description="the steps of this branch")
    level_db: float = Field(0.0, ge=-120, le=24, description="level of this branch in the sum")
    mute: bool = Field(False, description="leave this branch out of the sum")
    note: str | None = Field(None, description="free text")


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
        return f"{len(self.branches)} ways side by side, added again"

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
        from chainrun.units import db_to_gain

        gains = [0.0 if branch.mute else db_to_gain(branch.level_db) for branch in step.branches]
        self._parallel = ParallelChains([branch.chain for branch in step.branches], gains, stream)
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
