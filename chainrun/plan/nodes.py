"""Nodes as frozen descriptions, with everything a worker needs to render them and nothing else."""

from __future__ import annotations

from dataclasses import dataclass

from chainrun.contract import Key, Step, Stream


@dataclass(frozen=True)
class FilePart:
    """One channel of a stem: `channel` (from 0) of a file, with trim, polarity and shift before the chain."""

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
    """Stem before its chain."""

    parts: tuple[FilePart, ...]
    file_rate_hz: int
    at_s: float
    from_s: float
    to_s: float | None
    n_channels: int

    def identity(self) -> dict[str, object]:
        """Everything that determines the sound, without paths."""
        described = dict(self.__dict__)
        described["parts"] = [
            {key: value for key, value in part.__dict__.items() if key != "path"} for part in self.parts
        ]
        return described


@dataclass(frozen=True)
class Input:
    """Print that goes into a bus or main: through fader, pan and ride, or as a send."""

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
    """Source of a key: a print (`after_chain`), or the input of a node's chain (`before_chain`)."""

    node: str
    tap: str
    n_channels: int
    stem: StemInput | None = None
    inputs: tuple[Input, ...] = ()


@dataclass(frozen=True)
class Node:
    """Stem, bus or main to render."""

    name: str
    kind: str
    stem: StemInput | None
    inputs: tuple[Input, ...]
    chain: tuple[Step, ...]
    """Steps, validated and frozen, with absolute paths of their files."""
    addresses: tuple[tuple[str, str], ...]
    """Address of each step, by numbers and by names."""
    keys: tuple[tuple[Key, tuple[KeyInput, ...]], ...]
    """Each key that the chain listens to, with its sources."""
    stream: Stream
    """Signal at the input of the chain."""
    n_channels_out: int
    """Number of channels after the chain."""
    max_tail_s: float
    session_s: float
    needs: tuple[str, ...]
    """Nodes whose prints it needs."""
    responses: tuple[str, ...] = ()
    """Audio files of its steps."""
    labels: str = ""
    """Hash of the names in its readings and notes: they do not change the sound, but must match the recipe."""
    identity: str = ""
    """Hash of everything that determines its print; empty in a plan without hashes."""

    @property
    def rate_hz(self) -> int:
        """Sampling rate of the session, in Hz."""
        return self.stream.rate_hz

    @property
    def n_channels(self) -> int:
        """Number of channels before the chain."""
        return self.stream.n_channels

    @property
    def pan_law_db(self) -> float:
        """Level of a centred mono signal on each side, in dB."""
        return self.stream.pan_law_db

    @property
    def files(self) -> tuple[str, ...]:
        """All files that it reads: its stem's, those of keys before their chain, and those of its steps."""
        stems = [self.stem, *(one.stem for _, sources in self.keys for one in sources)]
        return (*(part.path for stem in stems if stem is not None for part in stem.parts), *self.responses)
