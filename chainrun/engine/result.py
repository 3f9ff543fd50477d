"""Result of a rendered node, as plain data and as the JSON document in its print file."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from chainrun.contract import Reading, WetLevel
from chainrun.loudness import Measured

CURVES = ("curve_min_db", "curve_max_db")


@dataclass(frozen=True)
class NodeResult:
    """Result of a rendered node."""

    name: str
    kind: str
    measured: Measured
    readings: tuple[Reading, ...]
    notes: tuple[str, ...]
    seconds: float
    latency_frames: int
    identity: str
    block_powers: tuple[float, ...] = ()
    """Mean squares of the print's 400 ms blocks, K-weighted: the gain of a delivery is computed from them."""
    wet_levels: tuple[WetLevel, ...] = ()
    from_store: bool = False

    def document(self) -> dict[str, object]:
        """JSON object to keep in the print file; `from_document` restores the result from it."""
        return {
            "name": self.name,
            "kind": self.kind,
            "measured": asdict(self.measured),
            "readings": [
                {key: _packed(value) if key in CURVES else value for key, value in vars(reading).items()}
                for reading in self.readings
            ],
            "wet_levels": [vars(one) for one in self.wet_levels],
            "notes": self.notes,
            "seconds": self.seconds,
            "latency_frames": self.latency_frames,
            "identity": self.identity,
            "block_powers": self.block_powers,
        }

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> NodeResult:
        """Restore a result from the document in a print file."""
        return cls(
            name=document["name"],
            kind=document["kind"],
            measured=Measured(**document["measured"]),
            readings=tuple(_reading(reading) for reading in document["readings"]),
            notes=tuple(document["notes"]),
            seconds=document["seconds"],
            latency_frames=document["latency_frames"],
            identity=document["identity"],
            block_powers=tuple(document["block_powers"]),
            wet_levels=tuple(WetLevel(**one) for one in document["wet_levels"]),
            from_store=True,
        )


def _reading(document: Mapping[str, Any]) -> Reading:
    fields: dict[str, Any] = {key: _unpacked(value) if key in CURVES else value for key, value in document.items()}
    return Reading(**fields)


def _packed(curve: NDArray[np.float32]) -> str:
    return base64.b64encode(np.ascontiguousarray(curve, dtype="<f4").tobytes()).decode()


def _unpacked(text: str) -> NDArray[np.float32]:
    return np.frombuffer(base64.b64decode(text), dtype="<f4").copy()
