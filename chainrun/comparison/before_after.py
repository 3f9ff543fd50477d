"""Measures the effect of a change of a recipe: renders it without and with the change, and compares deliveries."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from chainrun.comparison.difference import Difference, difference
from chainrun.delivery import RenderOptions, RenderResult, render
from chainrun.delivery.result import DeliveryResult
from chainrun.plan import build_plan
from chainrun.recipe import Overrides, open_recipe
from chainrun.store import hasher

BEFORE, AFTER = "before", "after"
"""Folder names of the two renders."""


@dataclass(frozen=True)
class ComparedDelivery:
    """One delivery of two renders of a recipe, and its difference."""

    difference: Difference
    before: Path
    after: Path


@dataclass(frozen=True)
class BeforeAfter:
    """The two renders of a recipe, without and with a change."""

    before: RenderResult
    after: RenderResult

    def largest_change(self) -> ComparedDelivery:
        """The delivery with the largest residual; the first one if all are identical."""
        return largest_change(self.before.deliveries, self.after.deliveries) or compare_delivery(
            self.before.deliveries[0], self.after.deliveries[0]
        )


def render_before_after(
    recipe: Path,
    before: Overrides,
    after: Overrides,
    folder: Path,
    *,
    options: RenderOptions,
    progress: Callable[[str, float], None] | None = None,
) -> BeforeAfter:
    """Render a recipe with two sets of overrides, into `folder`/before and `folder`/after. Raises ChainrunError."""
    first, second = (
        render(
            build_plan(open_recipe(recipe, chosen), hash_file=hasher(options.store)),
            folder / word,
            options,
            progress=progress,
        )
        for word, chosen in ((BEFORE, before), (AFTER, after))
    )
    return BeforeAfter(first, second)


def largest_change(before: Sequence[DeliveryResult], after: Sequence[DeliveryResult]) -> ComparedDelivery | None:
    """The delivery of two renders with the largest residual; None if all are identical.

    Raises AudioError for files that cannot be compared (more than two channels).
    """
    worst: ComparedDelivery | None = None
    for was, now in zip(before, after, strict=False):
        if was.pcm_sha256 == now.pcm_sha256:
            continue
        found = compare_delivery(was, now)
        if worst is None or found.difference.residual_lu > worst.difference.residual_lu:
            worst = found
    return worst


def compare_delivery(before: DeliveryResult, after: DeliveryResult) -> ComparedDelivery:
    """Compare one delivery of two renders. Raises AudioError."""
    files = Path(before.file), Path(after.file)
    return ComparedDelivery(difference(*files), *files)
