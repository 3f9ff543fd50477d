"""Records of changes since a baseline: settings, recordings, prints, nodes. Their words are in `wording`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum, auto
from pathlib import Path

from chainrun.verify.aspects import Aspect
from chainrun.verify.facts import ReadingName


class RecordingChangeKind(Enum):
    """Kinds of change of a recording."""

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
    """Nothing in common was found."""
    INVERTED = auto()
    CLICK = auto()
    """A peak `amount` dB higher, near `from_s`."""
    GAP = auto()
    """`amount` dB quieter from `from_s` to `to_s`."""
    OTHER_SAMPLES = auto()
    """The samples differ, and none of the other kinds applies."""


@dataclass(frozen=True)
class RecordingChange:
    """One change of a recording."""

    kind: RecordingChangeKind
    channel: int | None = None
    """The channel concerned; None for all."""
    of_channels: int = 1
    amount: float = 0.0
    before: int = 0
    after: int = 0
    from_s: int = 0
    to_s: int = 0


class ChangeKind(Enum):
    """Kinds of change of a key of the recipe."""

    VALUE = auto()
    """`before` and `after` as written; None if the key is not set."""
    CONTENT = auto()
    """The hash differs; the content itself is not in the baseline."""
    ADDED = auto()
    REMOVED = auto()
    ORDER = auto()
    """A chain has the same steps in another order: `steps_before`, `steps_after`."""
    RECORDING = auto()
    """A stem's recording differs as `recording` says."""


@dataclass(frozen=True)
class KeyChange:
    """A key of the recipe that changed."""

    key: str
    kind: ChangeKind
    before: str | None = None
    after: str | None = None
    steps_before: tuple[str, ...] = ()
    steps_after: tuple[str, ...] = ()
    recording: tuple[RecordingChange, ...] = ()


class PrintChangeKind(Enum):
    """Kinds of change of a node's print."""

    FORMAT = auto()
    """Rate or channels: `aspect`, `before` and `after`."""
    RESIDUAL = auto()
    """`amount` LU against the former print, from `from_s` on if that is known."""
    LEVEL = auto()
    """`amount` dB louder."""
    SPECTRUM = auto()
    """`bands_db`."""
    LENGTH = auto()
    """`amount` frames longer."""
    READING = auto()
    """`before` and `after` of the gain reduction `reading`."""
    READING_ADDED = auto()
    READING_REMOVED = auto()


@dataclass(frozen=True)
class PrintChange:
    """One change of a node's print."""

    kind: PrintChangeKind
    amount: float = 0.0
    before: float = 0.0
    after: float = 0.0
    from_s: int | None = None
    aspect: Aspect | None = None
    reading: ReadingName | None = None
    bands_db: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Cause:
    """Cause of a difference, as far as it can be found."""

    node: str | None = None
    """The most upstream node whose print differs; None if none does."""
    differences: tuple[PrintChange, ...] = ()
    """Changes of that node's print."""
    changed: tuple[KeyChange, ...] = ()
    """Keys of the recipe that changed."""
    nodes: tuple[str, ...] = ()
    """All nodes whose prints differ, in order."""


class NodeChangeKind(Enum):
    """Kinds of change of a render's set of nodes."""

    RENAMED = auto()
    REMOVED = auto()
    ADDED = auto()


@dataclass(frozen=True)
class NodeChange:
    """A node that was added, removed or renamed."""

    kind: NodeChangeKind
    node: str
    new_name: str = ""


@dataclass(frozen=True)
class PresetChange:
    """A preset of the library whose chain changed since the baseline was accepted."""

    preset: str
    baseline: Path


class AudioNoteKind(Enum):
    """Reasons why a baseline's audio was not kept or is not used."""

    TOO_LOUD = auto()
    """It exceeds full scale, and was not kept."""
    OF_AN_EARLIER_BASELINE = auto()
    NOT_THE_ACCEPTED_ONE = auto()
    GONE = auto()


@dataclass(frozen=True)
class AudioNote:
    """A baseline's audio that was not kept, or is not used."""

    kind: AudioNoteKind
    name: str
    """The name of the audio file; of the delivery if there is none."""


Note = PresetChange | NodeChange | AudioNote
"""A remark on a verification that fails no check."""
