"""A node as a frozen description: all that a worker needs to render it, and nothing else."""

from __future__ import annotations

from dataclasses import dataclass

from chainrun.contract import Key, Step, Stream


@dataclass(frozen=True)
class FilePart:
    """One file of a stem. `channel` (from 0) picks one channel; trim, polarity and shift come before the chain."""

    path: str
    content: str
    """Hash of the file's bytes; empty in a plan without hashes."""
    n_channels: int
    channel: int | None
    trim_db: float
    invert: bool
    shift_frames: float


@dataclass(frozen=True)
class StemInput:
    """A stem before its chain."""

    parts: tuple[FilePart, ...]
    file_rate_hz: int
    at_s: float
    from_s: float
    to_s: float | None
    n_channels: int

    def identity(self) -> dict[str, object]:
        """All that determines the sound, without paths."""
        described = dict(self.__dict__)
        described["parts"] = [
            {key: value for key, value in part.__dict__.items() if key != "path"} for part in self.parts
        ]
        return described


@dataclass(frozen=True)
class Input:
    """A print that goes into a bus or into main: through fader, pan and rides, or as a send."""

    node: str
    n_channels: int
    level_db: float
    pan_pct: float
    ride: tuple[tuple[float, float], ...]
    active: tuple[tuple[float, float], ...]
    send_db: float | None = None
    before_fader: bool = False
    mute: bool = False


@dataclass(frozen=True)
class KeyInput:
    """One source of a key: a print (`chain`), or what a node is before its chain (`raw`)."""

    node: str
    tap: str
    n_channels: int
    stem: StemInput | None = None
    inputs: tuple[Input, ...] = ()


@dataclass(frozen=True)
class Node:
    """One stem, bus or main to render."""

    name: str
    kind: str
    stem: StemInput | None
    inputs: tuple[Input, ...]
    chain: tuple[Step, ...]
    """Its steps, validated and frozen; files that they name as absolute paths."""
    addresses: tuple[tuple[str, str], ...]
    """Address of each step, by digits and by names."""
    keys: tuple[tuple[Key, tuple[KeyInput, ...]], ...]
    """Each key that the chain listens to, with its sources."""
    stream: Stream
    """The signal at the head of the chain."""
    n_channels_out: int
    """Channels after the chain."""
    max_tail_s: float
    session_s: float
    needs: tuple[str, ...]
    """Nodes whose prints must exist before."""
    responses: tuple[str, ...] = ()
    """The audio files that its steps name."""
    labels: str = ""
    """Hash of the names that its readings and notes carry: they change no sound, but must be the recipe's own."""
    identity: str = ""
    """Hash of all that determines its print; empty in a plan without hashes."""

    @property
    def rate_hz(self) -> int:
        """Sampling rate of the session, in Hz."""
        return self.stream.rate_hz

    @property
    def n_channels(self) -> int:
        """Channels before the chain."""
        return self.stream.n_channels

    @property
    def pan_law_db(self) -> float:
        """Level of a centred mono signal in each side, in dB."""
        return self.stream.pan_law_db

    @property
    def files(self) -> tuple[str, ...]:
        """Every file that it reads: its own stem's, those of its raw keys, and those that its steps name."""
        stems = [self.stem, *(one.stem for _, sources in self.keys for one in sources)]
        return (*(part.path for stem in stems if stem is not None for part in stem.parts), *self.responses)
