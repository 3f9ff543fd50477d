"""Summarises a job's render for batch.json: its result without the curves of readings."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BeforeValidator, TypeAdapter

from chainrun.delivery import RenderResult
from chainrun.measured import Measured, measured_record


def _with_infinities(value: Any) -> Any:
    """Readings from a JSON record, with null turned back into minus infinity."""
    if not isinstance(value, dict):
        return value
    found = {key: -math.inf if one is None else one for key, one in value.items()}
    if isinstance(bands := found.get("third_octave_db"), dict):
        found["third_octave_db"] = {hz: -math.inf if db is None else db for hz, db in bands.items()}
    return found


Readings = Annotated[Measured, BeforeValidator(_with_infinities)]
"""Readings, rounded as in their JSON record."""


@dataclass(frozen=True)
class DeliverySummary:
    """One delivered file."""

    file: str
    measured: Readings
    pcm_sha256: str
    gain_db: float
    gain_of: str | None
    target_lufs: float | None
    shortfall_lu: float
    limited_max_db: float | None

    def record(self) -> dict[str, object]:
        """The summary as a JSON object."""
        return {
            "file": self.file,
            "measured": measured_record(self.measured),
            "pcm_sha256": self.pcm_sha256,
            "gain_db": self.gain_db,
            "gain_of": self.gain_of,
            "target_lufs": self.target_lufs,
            "shortfall_lu": self.shortfall_lu,
            "limited_max_db": self.limited_max_db,
        }


@dataclass(frozen=True)
class NodeSummary:
    """One rendered node, without the readings of its steps, whose curves would make batch.json huge."""

    kind: str
    measured: Readings
    seconds: float
    from_store: bool
    latency_frames: int
    identity: str

    def record(self) -> dict[str, object]:
        """The summary as a JSON object."""
        return {
            "kind": self.kind,
            "measured": measured_record(self.measured),
            "seconds": self.seconds,
            "from_store": self.from_store,
            "latency_frames": self.latency_frames,
            "identity": self.identity,
        }


@dataclass(frozen=True)
class RenderSummary:
    """Result of a job's render, for its record."""

    schema_version: int
    engine: str
    recipe: str
    recipe_hash: str
    deliveries: tuple[DeliverySummary, ...]
    nodes: dict[str, NodeSummary]
    warnings: tuple[str, ...]
    failures: tuple[str, ...]
    seconds: float
    times_real_time: float

    @classmethod
    def of(cls, result: RenderResult) -> RenderSummary:
        """The summary of a render, equal to what batch.json yields."""
        return _SUMMARY.validate_python(result.record())

    def record(self) -> dict[str, object]:
        """The summary as a JSON object."""
        return {
            "schema_version": self.schema_version,
            "engine": self.engine,
            "recipe": self.recipe,
            "recipe_hash": self.recipe_hash,
            "deliveries": [one.record() for one in self.deliveries],
            "nodes": {name: node.record() for name, node in self.nodes.items()},
            "warnings": list(self.warnings),
            "failures": list(self.failures),
            "seconds": self.seconds,
            "times_real_time": self.times_real_time,
        }


_SUMMARY = TypeAdapter(RenderSummary)
