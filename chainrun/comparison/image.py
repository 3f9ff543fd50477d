"""Finds changes of a stereo image: polarity, sides, width, balance."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum, auto

import numpy as np

from chainrun.dsp.arrays import Array

LIKE = 0.9
"""Minimum correlation at which sides count as inverted or swapped."""
SWAPPED_BY = 1e-3
"""Sides count as swapped if that makes them this much more alike."""
SILENT_SHARE = 1e-9
"""Share of the energy (-90 dB) up to which a side counts as lost."""
MONO_SHARE = 1e-5
"""Side-energy share (-50 dB) below which a sound counts as mono."""
LEANS_DB = 0.5
"""Minimum change of balance that is reported."""


class ImageChangeKind(Enum):
    """Kinds of change of an image."""

    SIDE_LOST = auto()
    SIDES_SWAPPED = auto()
    INVERTED = auto()
    SIDE_INVERTED = auto()
    MONO = auto()
    LEANS = auto()


class Side(Enum):
    """Left or right."""

    LEFT = "left"
    RIGHT = "right"


SIDES = (Side.LEFT, Side.RIGHT)


@dataclass(frozen=True)
class ImageChange:
    """One way in which B's image differs from A's."""

    kind: ImageChangeKind
    side: Side | None = None
    """The side concerned, if it is one alone."""
    louder_db: float = 0.0
    """For LEANS: level of that side relative to A."""


def image_changes(a: Array, c: Array, b: Array) -> tuple[ImageChange, ...]:
    """The changes of B's image, from sums of products of shape (2, 2): within A, of A with B, within B."""
    powers_a, powers_b = np.diag(a), np.diag(b)
    if not (powers_a.sum() > 0.0 and powers_b.sum() > 0.0):
        return ()
    if np.minimum(powers_a, powers_b).min() <= SILENT_SHARE * max(powers_a.sum(), powers_b.sum()):
        floor = SILENT_SHARE * powers_b.sum()
        sides = zip(SIDES, powers_a, powers_b, strict=True)
        return tuple(ImageChange(ImageChangeKind.SIDE_LOST, side) for side, was, now in sides if now <= floor < was)
    like = c / np.sqrt(np.outer(powers_a, powers_b))
    straight, crossed = (like[0, 0], like[1, 1]), (like[0, 1], like[1, 0])
    found = []
    swapped = min(map(abs, crossed)) > LIKE and sum(map(abs, crossed)) > sum(map(abs, straight)) + SWAPPED_BY
    ways = crossed if swapped else straight
    if swapped:
        found.append(ImageChange(ImageChangeKind.SIDES_SWAPPED))
    if max(ways) < -LIKE:
        found.append(ImageChange(ImageChangeKind.INVERTED))
    elif min(ways) < -LIKE and max(ways) > LIKE:
        found.append(ImageChange(ImageChangeKind.SIDE_INVERTED, SIDES[int(np.argmin(ways))]))
    widths = [_side_share(one) for one in (a, b)]
    if widths[1] < MONO_SHARE < 10.0 * MONO_SHARE < widths[0]:
        found.append(ImageChange(ImageChangeKind.MONO))
    elif not swapped:
        leans = 10.0 * math.log10((powers_b[1] / powers_b[0]) / (powers_a[1] / powers_a[0]))
        if abs(leans) >= LEANS_DB:
            found.append(ImageChange(ImageChangeKind.LEANS, Side.RIGHT if leans > 0 else Side.LEFT, abs(leans)))
    return tuple(found)


def _side_share(products: Array) -> float:
    """The share of the side signal in the energy."""
    whole = float(np.trace(products))
    return (whole - 2.0 * float(products[0, 1])) / (2.0 * whole)


WORDS = {
    ImageChangeKind.SIDE_LOST: "has no {side} side",
    ImageChangeKind.SIDES_SWAPPED: "has left and right swapped",
    ImageChangeKind.INVERTED: "has inverted polarity",
    ImageChangeKind.SIDE_INVERTED: "has inverted polarity on the {side}",
    ImageChangeKind.MONO: "is mono",
    ImageChangeKind.LEANS: "is {louder_db:.1f} dB louder on the {side} than A",
}


def image_words(changes: Sequence[ImageChange]) -> list[str]:
    """The changes of B's image in words, each a predicate to follow `B`."""
    return [
        WORDS[one.kind].format(side=one.side.value if one.side is not None else "", louder_db=one.louder_db)
        for one in changes
    ]
