"""What dynamics steps tell of their work: gain reduction as figures and as a decimated curve."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    pass

Curve = NDArray[np.float32]
QUANTITIES = ("gain_reduction_max_db", "gain_reduction_mean_db", "gain_reduction_working_pct")
"""What a step measures of itself, each one number."""


@dataclass(frozen=True, eq=False)
class Reading:
    """Gain reduction of one step, positive in dB, negative where it raises.

    `step` is its address: `chain.0`, `chain.2.compressor`; `named` the same by names: `chain.glue.compressor`.
    """

    step: str
    named: str
    do: str
    gain_reduction_max_db: float
    gain_reduction_mean_db: float
    """Mean over the time in which it was working."""
    gain_reduction_working_pct: float
    points_per_second: float
    curve_min_db: Curve
    curve_max_db: Curve

    def under(self, address: str, named: str | None = None) -> Reading:
        """The same reading with an address before its own."""
        named = address if named is None else named
        return replace(
            self,
            step=f"{address}.{self.step}" if self.step else address,
            named=f"{named}.{self.named}" if self.named else named,
        )

    def quantities(self) -> dict[str, float]:
        """What is told of it in figures, rounded."""
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
