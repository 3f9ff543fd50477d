"""Runs chains in parallel, delayed to the same latency, and sums them at their levels."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from chainrun.contract import Branch, Key, Step
from chainrun.contract.readings import Reading, WetLevel
from chainrun.contract.runner import Keys, Stream
from chainrun.runtime.chain import ChainRunner, channels_after

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array


class ParallelChains:
    """Runs one chain for each part, and sums the outputs; if one is stereo, mono ones go to both sides."""

    def __init__(self, chains: Sequence[Sequence[Step]], gains: Sequence[float], stream: Stream):
        from chainrun.dsp.delay_line import DelayLine

        self._law = stream.pan_law_db
        self._chains = [ChainRunner(chain, replace(stream)) for chain in chains]
        self._gains = list(gains)
        self.n_channels_out = max(chain.n_channels_out for chain in self._chains)
        self.latency_frames = max(chain.latency_frames for chain in self._chains)
        self.tail_frames = max(chain.tail_frames for chain in self._chains)
        self._lines = [
            DelayLine(chain.n_channels_out, self.latency_frames - chain.latency_frames) for chain in self._chains
        ]

    def run(self, parts: Iterable[Array], keys: Keys) -> Array:
        """Process one block for each chain, all of the same length; returns the sum."""
        from chainrun.dsp.arrays import silence
        from chainrun.dsp.pan import to_stereo

        total: Array | None = None
        for part, chain, gain, line in zip(parts, self._chains, self._gains, self._lines, strict=True):
            y = line.run(chain.run(part, keys))
            if total is None:
                total = silence(self.n_channels_out, y.shape[1])
            total += (to_stereo(y, self._law) if self.n_channels_out == 2 else y) * gain
        assert total is not None, "there is at least one chain"
        return total

    def readings(self, address: str) -> list[Reading]:
        """Readings of all chains; `{}` in the address is replaced by the chain's number."""
        return [
            reading.under(address.format(i)) for i, chain in enumerate(self._chains) for reading in chain.readings()
        ]

    def wet_levels(self, address: str) -> list[WetLevel]:
        """Wet levels of all chains; `address` as in `readings`."""
        return [one.under(address.format(i)) for i, chain in enumerate(self._chains) for one in chain.wet_levels()]

    def notes(self) -> list[str]:
        """Notes of all chains."""
        return [note for chain in self._chains for note in chain.notes()]


def sum_gains(branches: Sequence[Branch]) -> list[float]:
    """Amplitude factor of each branch in the sum: 0 if it is muted, or if others are solo and it is not."""
    from chainrun.units import db_to_gain

    any_solo = any(one.solo for one in branches)
    return [0.0 if one.mute or (any_solo and not one.solo) else db_to_gain(one.level_db) for one in branches]


def keys_of(chains: Iterable[Sequence[Step]]) -> tuple[Key, ...]:
    """Keys that the steps of these chains listen to."""
    return tuple(key for chain in chains for step in chain for key in step.listens_to())


def widest(chains: Iterable[Sequence[Step]], n_channels: int) -> int:
    """Number of channels of the sum of these chains."""
    return max(channels_after(chain, n_channels) for chain in chains)
