"""Running steps: blocks in, blocks of the same length out, with state."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from chainrun.contract.key import Key

if TYPE_CHECKING:
    from chainrun.contract.readings import Reading, WetLevel
    from chainrun.dsp.arrays import Array
    from chainrun.dsp.scratch import Scratch

    Keys = Mapping[Key, Array]
else:
    Keys = Mapping


@dataclass(frozen=True)
class Stream:
    """Properties of the signal that a step will get."""

    rate_hz: int
    n_channels: int
    pan_law_db: float = -3.0
    hit_level_dbfs: float | None = None
    """Usual peak of a hit at the input of this chain, if the recipe gives it."""
    tempo_bpm: float | None = None
    latency_frames: int = 0
    """Latency gathered in the chain before this step."""
    begin_frame: int = 0
    """Frame of the session at which the chain's input begins: 0 except for a stretch."""
    n_frames: int | None = None
    """Length of the input, if known: readings stop there, and do not count the silence that follows for the tail."""
    key_channels: Mapping[Key, int] = field(default_factory=dict)
    key_hit_levels: Mapping[Key, float] = field(default_factory=dict)
    """Usual peak of a hit in a key, if the recipe gives it for one of its sources."""
    memory: dict[str, Scratch] = field(default_factory=dict, compare=False)
    """Working memory that the steps of a chain share, created on first use."""

    def scratch(self) -> Scratch:
        """Working memory of this chain."""
        from chainrun.dsp.scratch import Scratch

        return self.memory.setdefault("chain", Scratch())

    def detectors(self, sidechain_channels: int, link_pct: float) -> int:
        """Number of detectors of a linked dynamics step: one for all channels, or one per channel."""
        own = link_pct < 100.0 and sidechain_channels == self.n_channels
        return sidechain_channels if own else 1


class Runner:
    """Step that runs on one stream.

    `run` takes a block of shape (n_channels, n_frames), leaves it unchanged, and returns one of shape
    (n_channels_out, n_frames) that is `latency_frames` late. The output falls 90 dB below its peak at most
    `tail_frames` (plus the latency) after the last frame of the input.
    """

    n_channels_out: int = 1
    latency_frames: int = 0
    tail_frames: int = 0
    own_dry: bool = False
    """Whether `dry_part` gives the dry part for `mix_pct`: else it is the step's input, delayed by its latency."""

    def run(self, x: Array, keys: Keys) -> Array:
        """Process the next block. `keys` has a block of the same length for every key that the step listens to."""
        raise NotImplementedError

    def dry_part(self) -> Array:
        """The dry part of the block that `run` took last, as late as its output."""
        raise NotImplementedError

    def readings(self) -> list[Reading]:
        """Gain reduction so far, of dynamics steps and of those inside a step that holds chains."""
        return []

    def wet_levels(self) -> list[WetLevel]:
        """Wet levels so far of the steps inside a step that holds chains; its own is measured by its chain."""
        return []

    def notes(self) -> list[str]:
        """Notes on how the step was started: a conversion, a silent file."""
        return []
