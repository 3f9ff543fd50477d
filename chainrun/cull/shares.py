"""How much of a mix a preset is: what changes when it is bypassed, from renders, kept in the store."""

from __future__ import annotations

import hashlib
import json
import math
import tempfile
from dataclasses import asdict, dataclass
from pathlib import Path

from chainrun.compare.difference import difference
from chainrun.cull.usage import UseAt
from chainrun.engine import RenderOptions, render
from chainrun.engine.fingerprint import code_hash
from chainrun.errors import ChainrunError
from chainrun.recipe import Overrides, open_recipe
from chainrun.whole_file import write_whole


def _key(use: UseAt, chain_hash: str) -> str:
    text = json.dumps([use.recipe.read_text(encoding="utf-8-sig"), use.path, chain_hash, code_hash()])
    return hashlib.sha256(text.encode()).hexdigest()[:24]


@dataclass(frozen=True)
class Share:
    """What bypassing a preset changes in a mix."""

    residual_lu: float
    """What differs, matched in level, against the mix."""
    loudness_lu: float
    """The mix without it less the mix with it."""


def kept_shares(uses: list[UseAt], hashes: dict[str, str], store: Path | None) -> dict[tuple[Path, str], Share]:
    """Shares that were measured before."""
    found = {}
    for use in uses:
        if store is None or not use.path:
            continue
        try:
            text = (store / "shares" / f"{_key(use, hashes.get(use.preset, ''))}.json").read_text(encoding="utf-8")
            found[use.recipe, use.path] = Share(**json.loads(text))
        except (OSError, ValueError, KeyError, TypeError):
            continue
    return found


def measure_share(use: UseAt, chain_hash: str, store: Path) -> Share | None:
    """Render a recipe with and without one use of a preset; None where that cannot be done."""
    if not use.path:
        return None
    options = RenderOptions(store=store)
    with tempfile.TemporaryDirectory(prefix="chainrun-share-", ignore_cleanup_errors=True) as work:
        files = []
        try:
            for word, sets in (("with", ()), ("without", (f"{use.path}.bypass=true",))):
                result = render(open_recipe(use.recipe, Overrides(sets=sets)), Path(work) / word, options)
                files.append(Path(result.deliveries[0].file))
            found = difference(files[0], files[1])
        except ChainrunError:
            return None
    louder = -found.gain_db if math.isfinite(found.gain_db) else 0.0
    share = Share(round(max(-200.0, min(99.0, found.residual_lu)), 2), round(louder, 2))
    write_whole(store / "shares" / f"{_key(use, chain_hash)}.json", json.dumps(asdict(share)))
    return share
