"""Measurements that steps make of their own work: gain reduction of dynamics, wet level of rooms and echoes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from typing import Self

Curve = NDArray[np.float32]
WET_QUANTITY = "wet_to_dry_db"
QUANTITIES = ("gain_reduction_max_db", "gain_reduction_mean_db", "gain_reduction_working_pct", WET_QUANTITY)
"""Quantities that steps measure, each a single number."""


@dataclass(frozen=True, eq=False)
class StepReading:
    """Measurement of one step.

    `step` is its address: `chain.0`, `chain.2.compressor`; `named` the same by names: `chain.glue.compressor`.
    """

    step: str
    named: str
    do: str

    def under(self, address: str, named: str | None = None) -> Self:
        """Copy of the reading with an address put before its own."""
        named = address if named is None else named
        return replace(
            self,
            step=f"{address}.{self.step}" if self.step else address,
            named=f"{named}.{self.named}" if self.named else named,
        )

    def quantities(self) -> dict[str, float]:
        """Its figures, rounded."""
        raise NotImplementedError


@dataclass(frozen=True, eq=False)
class Reading(StepReading):
    """Gain reduction of one step in dB, negative for an increase."""

    gain_reduction_max_db: float
    gain_reduction_mean_db: float
    """Mean over the time during which it was working."""
    gain_reduction_working_pct: float
    points_per_second: float
    curve_min_db: Curve
    curve_max_db: Curve

    def quantities(self) -> dict[str, float]:
        """Its figures, rounded."""
        return {
            "gain_reduction_max_db": round(self.gain_reduction_max_db, 4),
            "gain_reduction_mean_db": round(self.gain_reduction_mean_db, 4),
            "gain_reduction_working_pct": round(self.gain_reduction_working_pct, 3),
        }

    def record(self, *, curve: bool = True) -> dict[str, object]:
        """As a JSON object."""
        found: dict[str, object] = {
            "step": self.step,
            "named": self.named,
            "do": self.do,
            **self.quantities(),
        }
        if curve:
            found["points_per_second"] = round(self.points_per_second, 6)
            found["curve_min_db"] = [round(float(value), 2) for value in self.curve_min_db]
            found["curve_max_db"] = [round(float(value), 2) for value in self.curve_max_db]
        return found


@dataclass(frozen=True, eq=False)
class WetLevel(StepReading):
    """Level of one step's wet signal relative to its dry one: energies over the whole render, before `mix_pct`."""

    mix_pct: float
    wet_to_dry_db: float | None
    """None if one of the two is silent."""
    reason: str | None = None
    """Why there is no level."""

    def quantities(self) -> dict[str, float]:
        """Its figure, rounded; empty without one."""
        return {WET_QUANTITY: round(self.wet_to_dry_db, 4)} if self.wet_to_dry_db is not None else {}

    def record(self) -> dict[str, object]:
        """As a JSON object."""
        return {
            "step": self.step,
            "named": self.named,
            "do": self.do,
            WET_QUANTITY: None,
            **self.quantities(),
            "mix_pct": self.mix_pct,
            "reason": self.reason,
        }
