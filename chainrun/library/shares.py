"""Measures a preset's share of a mix: the change if it is bypassed, from two renders, kept in the store."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from chainrun.comparison.before_after import compare_delivery, render_before_after
from chainrun.comparison.verdict import residual_words
from chainrun.delivery import RenderOptions, RenderResult
from chainrun.errors import ChainrunError
from chainrun.json_hash import short_hash
from chainrun.library.usage import UseAt
from chainrun.plan import build_plan
from chainrun.recipe import open_recipe
from chainrun.recipe.address import MAIN
from chainrun.store.store import Store
from chainrun.whole_file import work_folder, write_whole


@dataclass(frozen=True)
class BypassShare:
    """Change of a mix if one use of a preset is bypassed."""

    residual_lu: float | None
    """Residual of the mix without it, matched in level, against the mix with it; None for the `reason`."""
    loudness_change_lu: float | None
    """Loudness of the mix without it, minus that with it; None if either is silent or not measured."""
    reason: str | None = None
    """Reason why there is no residual."""

    def record(self) -> dict[str, object]:
        """The share as a JSON object."""
        return asdict(self)


NOT_MEASURED = BypassShare(None, None, "not measured")
IDENTICAL_SAMPLES = "identical samples with and without it"


def measured_shares(uses: Sequence[UseAt], store: Path | None, *, render_missing: bool) -> dict[UseAt, BypassShare]:
    """Shares of uses: those in the store, and with `render_missing` the others, too.

    They are kept by the identity of the mix, a hash of all that determines it. Uses that are neither kept nor rendered
    are left out, and without a store all are. A use that cannot be measured has a share with a reason.
    """
    found: dict[UseAt, BypassShare] = {}
    if store is None:
        return found
    kept = Store(store)
    mixes: dict[tuple[Path, str | None], str] = {}
    for use in uses:
        if not use.path:
            found[use] = BypassShare(None, None, "inside another preset, so it cannot be bypassed alone")
            continue
        mix = (use.recipe, use.variant)
        try:
            if mix not in mixes:
                opened = open_recipe(use.recipe, use.overrides)
                plan = build_plan(opened, hash_file=kept.hash_file)
                mixes[mix] = plan.node(MAIN).identity + opened.recipe.deliver[0].model_dump_json()
        except ChainrunError as error:
            found[use] = _failed(error)
            continue
        path = store / "shares" / f"{short_hash([mixes[mix], use.path])}.json"
        share = _kept(path)
        if share is None and render_missing:
            try:
                share = _rendered(use, store)
                write_whole(path, json.dumps(share.record()))
            except ChainrunError as error:
                share = _failed(error)
        if share is not None:
            found[use] = share
    return found


def _kept(path: Path) -> BypassShare | None:
    try:
        return BypassShare(**json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError):
        return None


def _failed(error: ChainrunError) -> BypassShare:
    return BypassShare(None, None, error.problems[0].message)


def _rendered(use: UseAt, store: Path) -> BypassShare:
    """Render a recipe with and without one use of a preset, and compare. Raises ChainrunError."""
    plain = use.overrides
    bypassed = replace(plain, sets=(f"{use.path}.bypass=true",))
    with work_folder("chainrun-share") as work:
        both = render_before_after(use.recipe, plain, bypassed, work, options=RenderOptions(store=store))
        found = compare_delivery(both.before.deliveries[0], both.after.deliveries[0]).difference
    # Loudness of main: a delivery's gain would bring both to the same target.
    mains = [_loudness_of_main(one) for one in (both.before, both.after)]
    louder = round(mains[1] - mains[0], 2) if all(map(math.isfinite, mains)) else None
    if math.isfinite(found.residual_lu):
        return BypassShare(round(found.residual_lu, 2), louder)
    return BypassShare(None, louder, IDENTICAL_SAMPLES if found.identical else residual_words(found.residual_lu))


def _loudness_of_main(result: RenderResult) -> float:
    return next(node for node in result.nodes if node.name == MAIN).measured.integrated_lufs
