"""Result of a render: nodes, delivered files, warnings and misses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from chainrun.contract.readings import QUANTITIES, WET_QUANTITY, StepReading
from chainrun.engine.result import NodeResult
from chainrun.measured import Measured, measured_record
from chainrun.plan import Plan
from chainrun.problem_codes import Code
from chainrun.store import Print

SCHEMA_VERSION = 1


@dataclass(frozen=True)
class DeliveryResult:
    """Result of one delivered file."""

    file: str
    measured: Measured
    pcm_sha256: str
    gain_db: float
    target_lufs: float | None
    shortfall_lu: float
    """LU by which the target was missed because of max_dbtp."""
    limited_max_db: float | None = None
    """Maximum gain reduction of the limiter with fit = "limiter"."""
    cautions: tuple[str, ...] = ()
    gain_of: str = ""
    """Source of the gain if it is not the file itself: a solo and a stretch have the whole mix's."""

    def record(self) -> dict[str, object]:
        """The result as a JSON object."""
        limited = self.limited_max_db
        return {
            "file": self.file,
            "measured": measured_record(self.measured),
            "pcm_sha256": self.pcm_sha256,
            "gain_db": round(self.gain_db, 4),
            "gain_of": self.gain_of or None,
            "target_lufs": self.target_lufs,
            "shortfall_lu": round(self.shortfall_lu, 4),
            "limited_max_db": round(limited, 4) if limited is not None else None,
        }


def node_record(node: NodeResult) -> dict[str, object]:
    """A node's result as a JSON object."""
    return {
        "kind": node.kind,
        "measured": measured_record(node.measured),
        "readings": [reading.record() for reading in node.readings],
        "wet_levels": [one.record() for one in node.wet_levels],
        "seconds": round(node.seconds, 4),
        "from_store": node.from_store,
        "latency_frames": node.latency_frames,
        "identity": node.identity,
    }


@dataclass(frozen=True)
class Miss:
    """Requirement of the recipe that a delivered file misses."""

    delivery: str
    """The file's name."""
    code: Code
    sentence: str

    def text(self) -> str:
        """The miss in one line: `mix.wav: true peak -0.50 dBTP is above max_dbtp = -1`."""
        return f"{self.delivery}: {self.sentence}"


@dataclass
class RenderResult:
    """Result of a whole render. With `misses` the exit code is 1, but all files are written."""

    engine: str
    recipe: str
    recipe_hash: str
    rate_hz: int
    length_s: float
    deliveries: list[DeliveryResult] = field(default_factory=list)
    nodes: list[NodeResult] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    misses: list[Miss] = field(default_factory=list)
    seconds: float = 0.0
    plan: Plan = field(kw_only=True, repr=False)
    """The rendered plan."""
    prints: dict[str, Print] = field(default_factory=dict, repr=False)
    """Print of each node in the store; empty without a store."""

    @property
    def failures(self) -> list[str]:
        """The misses, as sentences."""
        return [miss.text() for miss in self.misses]

    @property
    def times_real_time(self) -> float:
        """Seconds of music rendered per second."""
        return self.length_s / self.seconds if self.seconds > 0 else 0.0

    def reading_at(self, path: str) -> float:
        """Value of a reading such as `buses.kit.chain.0.gain_reduction_max_db`; steps by number or by name.

        A chain's item with a single such step inside (a preset, for example) may stand for that step. Raises
        KeyError, with a list of the readings, for a path that finds none or several.
        """
        head, _, quantity = path.rpartition(".")
        group, _, rest = head.partition(".")
        name, _, address = (group, ".", rest) if group == "main" else rest.partition(".")
        nodes = [node for node in self.nodes if node.name == name]
        reductions = [one for node in nodes for one in node.readings]
        wet_levels = [one for node in nodes for one in node.wet_levels]
        here: Sequence[StepReading] = wet_levels if quantity == WET_QUANTITY else reductions
        found = [one for one in here if address in (one.step, one.named)]
        found = found or [one for one in here if f"{one.step}.".startswith(f"{address}.")]
        found = found or [one for one in here if f"{one.named}.".startswith(f"{address}.")]
        values = found[0].quantities() if len(found) == 1 else {}
        if quantity not in values:
            silent = [one.reason for one in wet_levels if one in found and one.reason]
            if len(found) == 1 and silent:
                raise KeyError(f"{path}: no number: {silent[0]}")
            known = [f"{one.named}.{key}" for one in reductions for key in QUANTITIES if key != WET_QUANTITY]
            known += [f"{one.named}.{WET_QUANTITY}" for one in wet_levels]
            raise KeyError(f"{path}: {'several' if len(found) > 1 else 'no'} readings; there are {', '.join(known)}")
        return values[quantity]

    def record(self) -> dict[str, object]:
        """The result as one JSON document."""
        return {
            "schema_version": SCHEMA_VERSION,
            "engine": self.engine,
            "recipe": self.recipe,
            "recipe_hash": self.recipe_hash,
            "deliveries": [delivery.record() for delivery in self.deliveries],
            "nodes": {node.name: node_record(node) for node in self.nodes},
            "warnings": self.warnings,
            "failures": self.failures,
            "seconds": round(self.seconds, 4),
            "times_real_time": round(self.times_real_time, 2),
        }
