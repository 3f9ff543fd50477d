"""Which delivery differs most between two renders, as of a recipe without and with a change."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from chainrun.comparison.difference import Difference, difference
from chainrun.delivery import RenderResult
from chainrun.delivery.result import DeliveryResult


@dataclass(frozen=True)
class Moved:
    """A delivery before and after a change, and how they differ."""

    before: DeliveryResult
    after: DeliveryResult
    difference: Difference

    @property
    def louder_lu(self) -> float:
        """How much louder it got."""
        return -self.difference.gain_db


def moved_most(before: RenderResult, after: RenderResult, *, same_too: bool = False) -> Moved | None:
    """The delivery with the largest residual between two renders of the same deliveries, in their order.

    None where all have the same samples; with `same_too` the first stands for them. Raises AudioError.
    """
    worst: Moved | None = None
    for was, now in zip(before.deliveries, after.deliveries, strict=False):
        if was.pcm_sha256 == now.pcm_sha256 and (worst is not None or not same_too):
            continue
        found = difference(Path(was.file), Path(now.file))
        if worst is None or found.residual_lu > worst.difference.residual_lu:
            worst = Moved(was, now, found)
    return worst
