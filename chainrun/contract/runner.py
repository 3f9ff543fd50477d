"""How a step runs: blocks in, blocks of the same length out, with carried state."""

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
    """What a step may know of the signal it will get."""

    rate_hz: int
    n_channels: int
    pan_law_db: float = -3.0
    hit_level_dbfs: float | None = None
    """Usual peak of a hit at the head of this chain, where the recipe tells it."""
    tempo_bpm: float | None = None
    latency_frames: int = 0
    """Latency gathered in the chain before this step."""
    begin_frame: int = 0
    """The session's frame at which the chain's input begins: 0 but for a part of a session."""
    n_frames: int | None = None
    """Length of the input, where it is known: readings stop there, whatever silence runs out latency and tails."""
    key_channels: Mapping[Key, int] = field(default_factory=dict)
    key_hit_levels: Mapping[Key, float] = field(default_factory=dict)
    """Usual peak of a hit in a key, where the recipe tells it for one of its sources."""
    memory: dict[str, Scratch] = field(default_factory=dict, compare=False)
    """Holds the working memory that the steps of a chain share, once one has asked for it."""

    def scratch(self) -> Scratch:
        """The working memory of this chain."""
        from chainrun.dsp.scratch import Scratch

        return self.memory.setdefault("chain", Scratch())

    def detectors(self, sidechain_channels: int, link_pct: float) -> int:
        """Detectors that a linked dynamics step needs: one for all channels, or one for each."""
        own = link_pct < 100.0 and sidechain_channels == self.n_channels
        return sidechain_channels if own else 1


class Runner:
    """A step at work on one stream.

    `run` takes a block of shape (n_channels, n_frames), leaves it untouched, and returns one of shape
    (n_channels_out, n_frames) whose content is late by `latency_frames`. After the last frame of the input the
    output is still above -90 dB of its peak for at most `tail_frames` (beyond the latency).
    """

    n_channels_out: int = 1
    latency_frames: int = 0
    tail_frames: int = 0
    own_dry: bool = False
    """Whether `dry_part` gives the dry part for `mix_pct`: else it is the step's input, delayed by its latency."""

    def run(self, x: Array, keys: Keys) -> Array:
        """The next block. `keys` holds a block of the same length for every key that the step listens to."""
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
        """What a person should know of how the step was started: a conversion, a file that is silent."""
        return []
