"""A node as a plain description: what a worker needs to render it, and nothing else."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class FilePart:
    """One file of a stem. `channel` (from 0) picks one channel; trim, polarity and shift come before the chain."""

    path: str
    content: str
    """Hash of the file's bytes."""
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

    def identity(self) -> dict[str, Any]:
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
    level_points_db: tuple[tuple[float, float], ...]
    active_s: tuple[tuple[float, float], ...]
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
    chain: tuple[dict[str, Any], ...]
    addresses: tuple[tuple[str, str], ...]
    """Of each step, by digits and by names."""
    keys: tuple[tuple[dict[str, Any], tuple[KeyInput, ...]], ...]
    """Each key as written, with its sources."""
    n_channels: int
    """Channels before the chain; `n_channels_out` behind it."""
    n_channels_out: int
    rate_hz: int
    pan_law_db: float
    tempo_bpm: float | None
    hit_level_dbfs: float | None
    key_hit_levels: tuple[float | None, ...]
    tail_max_s: float
    session_s: float
    needs: tuple[str, ...]
    """Nodes whose prints must exist before."""
    identity: str = ""
