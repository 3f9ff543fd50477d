"""The checks of a verification, as records: what was looked at, what was found, and what is allowed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum, auto

from chainrun.comparison.difference import Difference
from chainrun.comparison.limits import Floor
from chainrun.verify.aspects import Aspect, Unit, unit_of

ROUNDING = 1e-9
"""Over a limit by no more than this is on it."""


class Bound(Enum):
    """How a limit is meant."""

    AS_IT_WAS = auto()
    """Nothing else than before."""
    WITHIN = auto()
    """No further from what was than `low`."""
    NEAR = auto()
    """No further from `low` than `high`."""
    BETWEEN = auto()
    """From `low` to `high`."""
    AT_LEAST = auto()
    AT_MOST = auto()


@dataclass(frozen=True)
class Limit:
    """What is allowed, in the unit of the check."""

    bound: Bound
    low: float = 0.0
    high: float = 0.0

    def allows(self, found: float, was: float = 0.0) -> bool:
        """Whether a figure lies within this limit; `was` is the baseline's."""
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
    """How a delivery's samples lie to those of the baseline."""

    SAME = auto()
    NO_AUDIBLE_DIFFERENCE = auto()
    NOT_MADE = auto()
    """The baseline has this delivery, and the render does not."""
    NOT_KNOWN = auto()
    """The render has it, and the baseline does not."""
    ONLY_IN_A = auto()
    ONLY_IN_B = auto()
    """Of two baselines only one has it."""


@dataclass(frozen=True)
class NoBaseline:
    """There is no baseline, and the recipe wants one."""

    file: str


@dataclass(frozen=True)
class RenderFailure:
    """A delivery did not become what the recipe asks for; `text` is the render's own sentence."""

    text: str


@dataclass(frozen=True)
class RangeOf:
    """Of how long a programme a loudness range was measured."""

    short: bool


@dataclass(frozen=True)
class BandsMoved:
    """Third octaves that moved, in dB by their nominal frequencies."""

    bands_db: Mapping[str, float]


@dataclass(frozen=True)
class MovedAt:
    """Where in time most moves."""

    at_s: int


@dataclass(frozen=True)
class ResidualPlaces:
    """Where in time a residual lies."""

    from_s: int | None
    """Where it first lies over the limit."""
    loudest_lu: float
    """Of the step in which most differs."""
    loudest_s: int
    sticks_out: bool
    """Whether that step is clearly louder than the whole."""
    may_be_over: bool
    """Whether it is under the limit as read, but not for certain: a sketch tells it within some dB."""


@dataclass(frozen=True)
class Exactly:
    """The difference from the baseline's own audio, and what of it counts as none."""

    difference: Difference
    floor: Floor


Detail = Samples | NoBaseline | RenderFailure | RangeOf | BandsMoved | MovedAt | ResidualPlaces | Exactly


@dataclass(frozen=True)
class Check:
    """One thing that was looked at: in a delivery, in what a recipe expects, or in the render as a whole."""

    aspect: Aspect
    passed: bool
    found: float | str | None = None
    """What is now, in `unit`; an encoding is a word."""
    was: float | str | None = None
    """What the baseline has."""
    limits: tuple[Limit, ...] = ()
    """All that must hold. There is none where the detail itself is the verdict."""
    delivery: str | None = None
    """The file that it is about, seen from the output folder."""
    path: str = ""
    """Of an expectation: the path that it stands under in [expect]."""
    detail: Detail | None = None
    key: str = ""
    """The recipe's key that it is about, for its place."""

    @property
    def unit(self) -> Unit:
        """The unit of what was found, of what was, and of the limits."""
        return unit_of(self.path.rpartition(".")[2]) if self.aspect is Aspect.EXPECTATION else self.aspect.unit

    @property
    def name(self) -> str:
        """`mix.wav: residual`; `expect: main.correlation`."""
        if self.aspect is Aspect.EXPECTATION:
            return f"expect: {self.path}"
        if self.aspect is Aspect.RENDER:
            return f"delivery {self.delivery}"
        return f"{self.delivery}: {self.aspect}" if self.delivery is not None else self.aspect.value

    @property
    def figure(self) -> float | None:
        """What was found, where it is a number."""
        return None if isinstance(self.found, str) else self.found

    @property
    def figure_before(self) -> float | None:
        """What was, where it is a number."""
        return None if isinstance(self.was, str) else self.was
