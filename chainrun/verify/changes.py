"""What is no longer as it was: settings of the recipe, recordings of stems, prints of nodes. Records, without words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum, auto
from pathlib import Path

from chainrun.verify.aspects import Aspect
from chainrun.verify.facts import ReadingName


class RecordingChangeKind(Enum):
    """How a recording differs from what it was."""

    RATE = auto()
    """`before` and `after` in Hz."""
    CHANNELS = auto()
    """`before` and `after`."""
    LENGTH = auto()
    """`amount` frames longer, or shorter where negative."""
    SIDES_SWAPPED = auto()
    GAIN = auto()
    """`amount` dB louder."""
    SHIFTED = auto()
    """`amount` samples later, or earlier where negative."""
    ANOTHER = auto()
    """Nothing is known to be the same."""
    INVERTED = auto()
    CLICK = auto()
    """A peak that is `amount` dB higher, near `from_s`."""
    GAP = auto()
    """`amount` dB quieter from `from_s` to `to_s`."""
    OTHER_SAMPLES = auto()
    """None of the others tells how."""


@dataclass(frozen=True)
class RecordingChange:
    """One way in which a recording differs from what it was."""

    kind: RecordingChangeKind
    channel: int | None = None
    """The channel that it is about; None for all of them."""
    of_channels: int = 1
    amount: float = 0.0
    before: int = 0
    after: int = 0
    from_s: int = 0
    to_s: int = 0


class ChangeKind(Enum):
    """How a key of the recipe is no longer as it was."""

    VALUE = auto()
    """`before` and `after` as they are written; None where the key is not."""
    CONTENT = auto()
    """It is known by its hash alone, and that is another one."""
    ADDED = auto()
    REMOVED = auto()
    ORDER = auto()
    """A chain's steps, `steps_before` and `steps_after`."""
    RECORDING = auto()
    """A stem's files; `recording` says how they differ."""


@dataclass(frozen=True)
class KeyChange:
    """A key of the recipe that is not as it was."""

    key: str
    kind: ChangeKind
    before: str | None = None
    after: str | None = None
    steps_before: tuple[str, ...] = ()
    steps_after: tuple[str, ...] = ()
    recording: tuple[RecordingChange, ...] = ()


class MoveKind(Enum):
    """What of a node's print moved."""

    FORMAT = auto()
    """Rate or channels: `aspect`, `before` and `after`."""
    RESIDUAL = auto()
    """`amount` dB against what was, from `from_s` on where it is known."""
    LEVEL = auto()
    """`amount` dB louder."""
    SPECTRUM = auto()
    """`bands_db`."""
    LENGTH = auto()
    """`amount` frames longer."""
    READING = auto()
    """The gain reduction `reading`: `before` and `after`."""
    READING_ADDED = auto()
    READING_REMOVED = auto()


@dataclass(frozen=True)
class Move:
    """One thing of a node's print that moved."""

    kind: MoveKind
    amount: float = 0.0
    before: float = 0.0
    after: float = 0.0
    from_s: int | None = None
    aspect: Aspect | None = None
    reading: ReadingName | None = None
    bands_db: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Cause:
    """Where a difference comes from, as far as can be found."""

    node: str | None = None
    """The most upstream node whose print differs; None: none does."""
    moved: tuple[Move, ...] = ()
    """What of it moved."""
    changed: tuple[KeyChange, ...] = ()
    """Keys of the recipe that are not as they were."""
    nodes: tuple[str, ...] = ()
    """All nodes that differ, in order."""


class NodeChangeKind(Enum):
    """How the nodes of a render are no longer those of the baseline."""

    RENAMED = auto()
    REMOVED = auto()
    ADDED = auto()


@dataclass(frozen=True)
class NodeChange:
    """A node that is new, gone, or has another name."""

    kind: NodeChangeKind
    node: str
    new_name: str = ""


@dataclass(frozen=True)
class PresetChange:
    """A preset of the library that has another chain than when the baseline was accepted."""

    preset: str
    baseline: Path


class AudioNoteKind(Enum):
    """What is to be known of the audio beside a baseline."""

    TOO_LOUD = auto()
    """It goes over full scale, and none was kept."""
    OF_AN_EARLIER_BASELINE = auto()
    NOT_THE_ACCEPTED_ONE = auto()
    GONE = auto()


@dataclass(frozen=True)
class AudioNote:
    """Why a baseline's audio was not kept, or is not used."""

    kind: AudioNoteKind
    name: str
    """The audio's file, or the delivery's where there is none."""


Note = PresetChange | NodeChange | AudioNote
"""What else there is to know of a verification."""
