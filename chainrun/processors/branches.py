"""branches: several chains side by side on the same input."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING, Literal

from pydantic import Field

from chainrun.contract import Key, Keys, Misfit, Reading, Runner, Step, Stream, StrictModel, processor
from chainrun.contract.chain import ChainRunner, chain_misfits, channels_after

if TYPE_CHECKING:
    from chainrun.contract import Step as AnyStep
    from chainrun.dsp.arrays import Array
    from chainrun.dsp.delay_line import DelayLine


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
            {"level_db": -12.0, "chain": [{"do": "compressor", "threshold_db": -40.0, "ratio": 10.0}]},
        ]
    }
    unity = {"branches": [{}]}

    def start(self, stream: Stream) -> Runner:
        return _BranchesRunner(self, stream)

    def channels_out(self, n_channels: int) -> int:
        return max(channels_after(branch.chain, n_channels) for branch in self.branches)

    def listens_to(self) -> tuple[Key, ...]:
        if self.bypass:
            return ()
        return tuple(key for branch in self.branches for step in branch.chain for key in step.listens_to())

    def inner_chains(self) -> Iterable[tuple[str, list[Step]]]:
        return [(f"branches.{i}.chain", list(branch.chain)) for i, branch in enumerate(self.branches)]

    def misfits(self, stream: Stream) -> list[Misfit]:
        return [misfit for path, chain in self.inner_chains() for misfit in chain_misfits(chain, stream, f"{path}.")]


class _BranchesRunner(Runner):
    def __init__(self, step: Branches, stream: Stream):
        from chainrun.dsp.delay_line import DelayLine
        from chainrun.units import db_to_gain

        self.n_channels_out = step.channels_out(stream.n_channels)
        self._law = stream.pan_law_db
        # Readings of inner chains come late by the whole step's latency; each inner chain counts its own.
        self._chains = [ChainRunner(branch.chain, replace(stream)) for branch in step.branches]
        self._gains = [0.0 if branch.mute else db_to_gain(branch.level_db) for branch in step.branches]
        self.latency_frames = max(chain.latency_frames for chain in self._chains)
        self.tail_frames = max(chain.tail_frames for chain in self._chains)
        self._lines: list[DelayLine] = [
            DelayLine(chain.n_channels_out, self.latency_frames - chain.latency_frames) for chain in self._chains
        ]

    def run(self, x: Array, keys: Keys) -> Array:
        from chainrun.dsp.arrays import silence
        from chainrun.dsp.pan import to_stereo

        total = silence(self.n_channels_out, x.shape[1])
        for chain, gain, line in zip(self._chains, self._gains, self._lines, strict=True):
            y = line.run(chain.run(x, keys))
            if self.n_channels_out == 2:
                y = to_stereo(y, self._law)
            total += y * gain
        return total

    def readings(self) -> list[Reading]:
        return [
            reading.under(f"branches.{i}.chain") for i, chain in enumerate(self._chains) for reading in chain.readings()
        ]
