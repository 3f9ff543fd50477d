"""How far a change moves a recipe: rendered without and with it, and compared delivery by delivery."""

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
"""Folders of both renders."""


@dataclass(frozen=True)
class Moved:
    """The delivery that differs most between two renders of a recipe."""

    difference: Difference
    before: Path
    after: Path


@dataclass(frozen=True)
class BeforeAfter:
    """A recipe rendered without and with a change."""

    before: RenderResult
    after: RenderResult

    def largest_move(self) -> Moved:
        """The delivery with the largest residual; the first one where all have the same samples."""
        return largest_move(self.before.deliveries, self.after.deliveries) or moved_delivery(
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
    """Render a recipe under two sets of overrides, into `folder`/before and `folder`/after. Raises ChainrunError."""
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


def largest_move(before: Sequence[DeliveryResult], after: Sequence[DeliveryResult]) -> Moved | None:
    """Of deliveries of two renders the one with the largest residual; None where all have the same samples.

    Raises AudioError for files that are not compared (more than two channels).
    """
    worst: Moved | None = None
    for was, now in zip(before, after, strict=False):
        if was.pcm_sha256 == now.pcm_sha256:
            continue
        found = moved_delivery(was, now)
        if worst is None or found.difference.residual_lu > worst.difference.residual_lu:
            worst = found
    return worst


def moved_delivery(before: DeliveryResult, after: DeliveryResult) -> Moved:
    """One delivery of two renders, compared. Raises AudioError."""
    files = Path(before.file), Path(after.file)
    return Moved(difference(*files), *files)
