"""What a render tells: per node and per delivered file, as plain data."""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from chainrun.contract import Reading
from chainrun.loudness import Measured

SCHEMA_VERSION = 1
CURVES = ("curve_min_db", "curve_max_db")
REASONS = {
    "integrated_lufs": "nothing is above the gate at -70 LUFS for 400 ms",
    "side_to_mid_db": "both sides are the same",
}
QUANTITIES = ("gain_reduction_max_db", "gain_reduction_mean_db", "gain_reduction_working_pct")


@dataclass(frozen=True)
class NodeResult:
    """One rendered node."""

    name: str
    kind: str
    measured: Measured
    readings: tuple[Reading, ...]
    notes: tuple[str, ...]
    seconds: float
    latency_frames: int
    identity: str
    block_powers: tuple[float, ...] = ()
    """Of the print, K-weighted, a number for each 400 ms: a delivery's gain is found from them."""
    from_store: bool = False

    def document(self) -> dict[str, Any]:
        """As JSON, to be kept beside the print; `from_document` gives the same again."""
        return {
            "name": self.name,
            "kind": self.kind,
            "measured": asdict(self.measured),
            "readings": [
                {key: _packed(value) if key in CURVES else value for key, value in vars(reading).items()}
                for reading in self.readings
            ],
            "notes": self.notes,
            "seconds": self.seconds,
            "latency_frames": self.latency_frames,
            "identity": self.identity,
            "block_powers": self.block_powers,
        }

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> NodeResult:
        """The result that a print was kept with."""
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
            from_store=True,
        )


def _reading(document: Mapping[str, Any]) -> Reading:
    fields: dict[str, Any] = {key: _unpacked(value) if key in CURVES else value for key, value in document.items()}
    return Reading(**fields)


def _packed(curve: NDArray[np.float32]) -> str:
    return base64.b64encode(np.ascontiguousarray(curve, dtype="<f4").tobytes()).decode()


def _unpacked(text: str) -> NDArray[np.float32]:
    return np.frombuffer(base64.b64decode(text), dtype="<f4").copy()


@dataclass(frozen=True)
class DeliveryResult:
    """One delivered file."""

    file: str
    measured: Measured
    pcm_sha256: str
    gain_db: float
    target_lufs: float | None
    shortfall_lu: float
    """By how much the target was missed because of max_dbtp."""
    limited_max_db: float | None = None
    """Most gain reduction of the limiter of fit = "limit"."""
    cautions: tuple[str, ...] = ()
    gain_of: str = ""
    """What the gain was found from, where that is not the file itself: a solo and a stretch have the whole mix's."""


@dataclass
class RenderResult:
    """The whole render. `failures` are what makes the exit code 1: the files are there all the same."""

    engine: str
    recipe: str
    recipe_hash: str
    rate_hz: int
    length_s: float
    deliveries: list[DeliveryResult] = field(default_factory=list)
    nodes: list[NodeResult] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    failures: list[str] = field(default_factory=list)
    seconds: float = 0.0

    @property
    def times_real_time(self) -> float:
        """How much faster than the music lasts."""
        return self.length_s / self.seconds if self.seconds > 0 else 0.0

    def reading_at(self, path: str) -> float:
        """The value at `buses.kit.chain.0.gain_reduction_max_db`, by digits or names as the recipe is written.

        A chain's item that holds one dynamics step alone (a preset, say) may stand for it. Raises KeyError, with
        what there is, for a path that finds none or several.
        """
        head, _, quantity = path.rpartition(".")
        group, _, rest = head.partition(".")
        name, _, address = (group, ".", rest) if group == "main" else rest.partition(".")
        here = [reading for node in self.nodes if node.name == name for reading in node.readings]
        found = [one for one in here if address in (one.step, one.named)]
        found = found or [one for one in here if f"{one.step}.".startswith(f"{address}.")]
        found = found or [one for one in here if f"{one.named}.".startswith(f"{address}.")]
        record = found[0].record(curve=False) if len(found) == 1 else {}
        if not isinstance(record.get(quantity), float):
            known = [f"{one.named}.{key}" for one in here for key in QUANTITIES]
            raise KeyError(f"{path}: {'several' if len(found) > 1 else 'no'} readings; there are {', '.join(known)}")
        return float(record[quantity])

    def record(self) -> dict[str, Any]:
        """As one JSON document."""
        return {
            "schema_version": SCHEMA_VERSION,
            "engine": self.engine,
            "recipe": self.recipe,
            "recipe_hash": self.recipe_hash,
            "deliveries": [
                {
                    "file": delivery.file,
                    "measured": measured_record(delivery.measured),
                    "pcm_sha256": delivery.pcm_sha256,
                    "gain_db": round(delivery.gain_db, 4),
                    "gain_of": delivery.gain_of or None,
                    "target_lufs": delivery.target_lufs,
                    "shortfall_lu": round(delivery.shortfall_lu, 4),
                    "limited_max_db": round(delivery.limited_max_db, 4)
                    if delivery.limited_max_db is not None
                    else None,
                }
                for delivery in self.deliveries
            ],
            "nodes": {
                node.name: {
                    "kind": node.kind,
                    "measured": measured_record(node.measured),
                    "readings": [reading.record() for reading in node.readings],
                    "seconds": round(node.seconds, 4),
                    "from_store": node.from_store,
                    "latency_frames": node.latency_frames,
                    "identity": node.identity,
                }
                for node in self.nodes
            },
            "warnings": self.warnings,
            "failures": self.failures,
            "seconds": round(self.seconds, 4),
            "times_real_time": round(self.times_real_time, 2),
        }


def finite(value: float | None, digits: int = 2) -> float | None:
    """A figure for JSON: rounded, None where there is none."""
    return round(float(value), digits) if value is not None and math.isfinite(value) else None


def measured_record(measured: Measured) -> dict[str, Any]:
    """Readings as a JSON object: minus infinity becomes null, with the reason beside it."""
    record: dict[str, Any] = {
        "n_frames": measured.n_frames,
        "n_channels": measured.n_channels,
        "rate_hz": measured.rate_hz,
    }
    reasons: dict[str, str] = {}
    for key, value in asdict(measured).items():
        if key in record or value is None:
            continue
        if isinstance(value, dict):
            record[key] = {name: round(level, 2) if math.isfinite(level) else None for name, level in value.items()}
            continue
        record[key] = round(value, 4) if math.isfinite(value) else None
        if not math.isfinite(value):
            silent = measured.sample_peak_dbfs == -math.inf
            reasons[key] = "silence" if silent else REASONS.get(key, "there is none")
    if reasons:
        record["reasons"] = reasons
    if measured.range_is_short:
        record["range_is_short"] = True
    return record
