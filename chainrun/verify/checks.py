"""Records of checks: the aspect that was judged, the values before and now, and the limit."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum, auto

from chainrun.comparison.difference import Difference
from chainrun.comparison.limits import Floor
from chainrun.verify.aspects import Aspect, Unit, unit_of

ROUNDING = 1e-9
"""Maximum excess over a limit that still counts as on it."""


class Bound(Enum):
    """Kinds of limit."""

    AS_IT_WAS = auto()
    """Equal to the baseline's value."""
    WITHIN = auto()
    """At most `low` away from the baseline's value."""
    NEAR = auto()
    """At most `high` away from `low`."""
    BETWEEN = auto()
    """From `low` to `high`."""
    AT_LEAST = auto()
    AT_MOST = auto()


@dataclass(frozen=True)
class Limit:
    """Allowed range of a value, in the unit of the check."""

    bound: Bound
    low: float = 0.0
    high: float = 0.0

    def allows(self, found: float, was: float = 0.0) -> bool:
        """Whether a value is within this limit; `was` is the baseline's value."""
        within = self.high if self.bound is Bound.NEAR else self.low
        middle = self.low if self.bound is Bound.NEAR else was
        if self.bound in (Bound.WITHIN, Bound.NEAR):
            return abs(found - middle) <= within + ROUNDING
        if self.bound is Bound.AS_IT_WAS:
            return found == was
        low = -math.inf if self.bound is Bound.AT_MOST else self.low
        high = {Bound.AT_MOST: self.low, Bound.BETWEEN: self.high}.get(self.bound, math.inf)
        return low - ROUNDING <= found <= high + ROUNDING


class Samples(Enum):
    """Verdicts on a delivery's samples against those of the baseline."""

    SAME = auto()
    NO_AUDIBLE_DIFFERENCE = auto()
    NOT_MADE = auto()
    """The delivery is in the baseline, but not in the render."""
    NOT_KNOWN = auto()
    """The delivery is in the render, but not in the baseline."""
    ONLY_IN_A = auto()
    ONLY_IN_B = auto()
    """The delivery is in B alone, of two baselines."""


@dataclass(frozen=True)
class NoBaseline:
    """The recipe requires a baseline, and there is none."""

    file: str


@dataclass(frozen=True)
class RenderFailure:
    """A delivery misses what the recipe asks for; `text` is the render's own sentence."""

    text: str


@dataclass(frozen=True)
class RangeOf:
    """Whether a loudness range was measured on a short programme."""

    short: bool


@dataclass(frozen=True)
class BandsChanged:
    """Changes of third octaves, in dB by nominal frequency."""

    bands_db: Mapping[str, float]


@dataclass(frozen=True)
class LargestChangeAt:
    """Time of the largest change."""

    at_s: int


@dataclass(frozen=True)
class ResidualPlaces:
    """Times of a residual."""

    from_s: int | None
    """Time at which it first exceeds the limit."""
    loudest_lu: float
    """The largest residual of any time step."""
    loudest_s: int
    sticks_out: bool
    """Whether that step is clearly above the residual of the whole."""
    may_be_over: bool
    """Whether the estimate is below the limit, but its uncertainty reaches above."""


@dataclass(frozen=True)
class Exactly:
    """The difference from the baseline's own audio, and the floor below which it counts as none."""

    difference: Difference
    floor: Floor


Detail = Samples | NoBaseline | RenderFailure | RangeOf | BandsChanged | LargestChangeAt | ResidualPlaces | Exactly


@dataclass(frozen=True)
class Check:
    """One judged aspect of a delivery, of an expectation, or of the render as a whole."""

    aspect: Aspect
    passed: bool
    found: float | str | None = None
    """The value now, in `unit`; an encoding is a word."""
    was: float | str | None = None
    """The baseline's value."""
    limits: tuple[Limit, ...] = ()
    """The limits, all of which must hold; empty if the detail itself is the verdict."""
    delivery: str | None = None
    """The file concerned, relative to the output folder."""
    path: str = ""
    """For an expectation: its path in [expect]."""
    detail: Detail | None = None
    key: str = ""
    """The recipe's key concerned, from which file and line are found."""

    @property
    def unit(self) -> Unit:
        """Unit of the values and the limits."""
        return unit_of(self.path.rpartition(".")[2]) if self.aspect is Aspect.EXPECTATION else self.aspect.unit

    @property
    def name(self) -> str:
        """Name of the check: `mix.wav: residual`, `expect: main.correlation`."""
        if self.aspect is Aspect.EXPECTATION:
            return f"expect: {self.path}"
        if self.aspect is Aspect.RENDER:
            return f"delivery {self.delivery}"
        return f"{self.delivery}: {self.aspect}" if self.delivery is not None else self.aspect.value

    @property
    def figure(self) -> float | None:
        """The value now, if it is a number."""
        return None if isinstance(self.found, str) else self.found

    @property
    def figure_before(self) -> float | None:
        """The baseline's value, if it is a number."""
        return None if isinstance(self.was, str) else self.was
