"""How much of a mix a preset is: what changes when it is bypassed, from renders, kept in the store."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from chainrun.comparison.before_after import compare_delivery, render_before_after
from chainrun.delivery import RenderOptions, RenderResult
from chainrun.errors import ChainrunError
from chainrun.json_hash import short_hash
from chainrun.library.usage import UseAt
from chainrun.plan import build_plan
from chainrun.recipe import Overrides, open_recipe
from chainrun.recipe.address import MAIN
from chainrun.store.store import Store
from chainrun.whole_file import work_folder, write_whole


@dataclass(frozen=True)
class BypassShare:
    """What bypassing a preset changes in a mix."""

    residual_lu: float
    """What differs, matched in level, against the mix."""
    loudness_lu: float
    """The mix without it less the mix with it."""

    def record(self) -> dict[str, float]:
        """As a JSON object."""
        return asdict(self)


def measured_shares(uses: Sequence[UseAt], store: Path | None, *, render_missing: bool) -> dict[UseAt, BypassShare]:
    """Shares of uses: those that were measured before, and the others where they shall be rendered.

    They are kept by the mix's own identity, which holds all that determines it. Without a store there are none. What is
    used inside another preset cannot be addressed, and is left out.
    """
    found: dict[UseAt, BypassShare] = {}
    if store is None:
        return found
    kept = Store(store)
    mixes: dict[tuple[Path, str | None], str] = {}
    for use in uses:
        if not use.path:
            continue
        mix = (use.recipe, use.variant)
        try:
            if mix not in mixes:
                opened = open_recipe(use.recipe, Overrides(variant=use.variant))
                plan = build_plan(opened, hash_file=kept.hash_file)
                mixes[mix] = plan.node(MAIN).identity + opened.recipe.deliver[0].model_dump_json()
        except ChainrunError:
            continue
        path = store / "shares" / f"{short_hash([mixes[mix], use.path])}.json"
        share = _kept(path)
        if share is None and render_missing:
            share = _rendered(use, store)
            if share is not None:
                write_whole(path, json.dumps(share.record()))
        if share is not None:
            found[use] = share
    return found


def _kept(path: Path) -> BypassShare | None:
    try:
        return BypassShare(**json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError):
        return None


def _rendered(use: UseAt, store: Path) -> BypassShare | None:
    """A recipe with and without one use of a preset; None where that cannot be done."""
    plain = Overrides(use.variant)
    bypassed = Overrides(use.variant, sets=(f"{use.path}.bypass=true",))
    try:
        with work_folder("chainrun-share") as work:
            both = render_before_after(use.recipe, plain, bypassed, work, options=RenderOptions(store=store))
            found = compare_delivery(both.before.deliveries[0], both.after.deliveries[0]).difference
    except ChainrunError:
        return None
    # Of main, before a delivery's gain brings either to its target.
    mains = [_loudness_of_main(one) for one in (both.before, both.after)]
    louder = mains[1] - mains[0] if all(map(math.isfinite, mains)) else 0.0
    return BypassShare(round(max(-200.0, min(99.0, found.residual_lu)), 2), round(louder, 2))


def _loudness_of_main(result: RenderResult) -> float:
    return next(node for node in result.nodes if node.name == MAIN).measured.integrated_lufs
