"""Which presets do nearly the same: by how far their outputs lie apart on the test signals, matched in level."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np

from chainrun.comparison.residual import MIN_LU, k_weighted, matching_gain, residual_lu
from chainrun.contract import Key
from chainrun.dsp.arrays import Array
from chainrun.engine.sources import StemSource
from chainrun.errors import ChainrunError
from chainrun.library.profile import HIT_DBFS, RATE, SEGMENTS, Bench, Profile, channels_for, kept_profile
from chainrun.library.progress import Progress
from chainrun.library.shelf import Shelf
from chainrun.library.usage import Usage, UseAt
from chainrun.plan import Plan, build_plan
from chainrun.plan.surroundings import code_hash
from chainrun.recipe import Overrides, open_recipe
from chainrun.recipe.address import STEMS, NodeAddress
from chainrun.units import db_to_gain, gain_to_db

MAX_LEVEL_DB = 1.0
"""A preset takes another one's place only where its level is as near as this."""
MIN_ENERGY = 1e-6
"""Energy of a test signal's output under which it counts as silence, which is like nothing."""
MAX_ALIKE_LU = -30.0
"""The residual that two presets which count as alike leave on the worst test signal."""
MAX_STEM_S = 8.0


@dataclass(frozen=True)
class Apart:
    """Two presets."""

    one: str
    other: str
    residual_lu: float
    """The worst test signal's, matched in level over all of them."""
    worst: str
    gain_db: float
    """The other is softer by so much."""
    response_db: float
    static_db: float
    """Largest differences of the measured points, the level difference taken out."""
    stem_lu: float | None = None
    """The residual on a stem that one of them is used on, where that was heard."""
    same_keys: bool = True
    """Whether both listen to the same keys, or to none."""

    @property
    def alike(self) -> bool:
        """Whether one of them would do."""
        near = self.residual_lu <= MAX_ALIKE_LU and (self.stem_lu is None or self.stem_lu <= MAX_ALIKE_LU)
        return near and self.same_keys

    @property
    def replaceable(self) -> bool:
        """Whether one may take the other's place as it is: alike, and as loud."""
        return self.alike and abs(self.gain_db) <= MAX_LEVEL_DB

    def record(self) -> dict[str, object]:
        """As a JSON object."""
        return asdict(self)


def profiles(
    shelf: Shelf, names: Sequence[str], store: Path | None, progress: Progress | None = None
) -> dict[str, Profile]:
    """The profiles of presets, out of the store's folder or measured; `progress` hears of those that cannot be run."""
    reporter = progress or Progress()
    found, code = {}, code_hash()
    for k, name in enumerate(names):
        reporter.node(name, 0.99 * k / len(names))
        try:
            found[name] = kept_profile(shelf.steps(name), code, store)
        except ChainrunError as error:
            reporter.left_out(name, error.problems[0].text())
    return found


def apart(name: str, one: Profile, other_name: str, other: Profile) -> Apart:
    """How far two profiles lie apart."""
    # A chain that needs stereo was not heard in mono: both have in common what is stereo for all.
    shared = SEGMENTS if one.n_channels == other.n_channels else ("wide",)
    a = {segment: np.array(one.sketches[segment]) for segment in shared}
    b = {segment: np.array(other.sketches[segment]) for segment in shared}
    products = sum(float(np.sum(a[s] * b[s])) for s in shared)
    energy = sum(float(np.sum(b[s] ** 2)) for s in shared)
    gain = matching_gain(products, energy)
    residuals = {}
    for segment in shared:
        if min(float(np.sum(a[segment] ** 2)), float(np.sum(b[segment] ** 2))) < MIN_ENERGY:
            residuals[segment] = 0.0  # nothing came out within the bench's time: that says nothing
            continue
        left = float(np.sum((a[segment] - gain * b[segment]) ** 2))
        whole = max(float(np.sum(a[segment] ** 2)), gain**2 * float(np.sum(b[segment] ** 2)), 1e-12)
        residuals[segment] = residual_lu(left, whole, minimum=MIN_LU)
    worst = max(residuals, key=lambda segment: residuals[segment])
    gain_db = max(-120.0, gain_to_db(gain))
    responses = np.array(one.response_db) - np.array(other.response_db)
    statics = np.array(one.static_db) - np.array(other.static_db)
    return Apart(
        name,
        other_name,
        round(residuals[worst], 1),
        worst,
        round(gain_db, 2),
        round(float(np.abs(responses - np.median(responses)).max()), 2),
        round(float(np.abs(statics - np.median(statics)).max()), 2),
        same_keys=one.keys == other.keys,
    )


def pairs(known: Mapping[str, Profile], of: str | None = None) -> list[Apart]:
    """All pairs of presets (or those with one of them), the nearest first."""
    names = list(known)
    found = [
        apart(one, known[one], other, known[other])
        for i, one in enumerate(names)
        for other in names[i + 1 :]
        if of is None or of in (one, other)
    ]
    return sorted(found, key=lambda pair: pair.residual_lu)


def on_stems(shelf: Shelf, near: Sequence[Apart], used: Usage) -> list[Apart]:
    """Pairs that are alike on the test signals, heard on a real stem, too: one that a recipe uses one of them on."""
    found = []
    for pair in near:
        if pair.alike:
            uses = [
                use
                for use in used.uses
                if use.preset in (pair.one, pair.other) and NodeAddress.of(use.node).group == STEMS
            ]
            stem_lu = next((lu for use in uses if (lu := _on_stem(shelf, pair, use)) is not None), None)
            pair = replace(pair, stem_lu=stem_lu)
        found.append(pair)
    return found


def _on_stem(shelf: Shelf, pair: Apart, use: UseAt) -> float | None:
    """The level-matched residual of two presets on the first seconds of a stem; None where that cannot be heard."""
    try:
        opened = open_recipe(use.recipe, Overrides(allow_roots=use.allow_roots))
        plan = build_plan(opened, hash_file=None)
        node = plan.node(NodeAddress.of(use.node).name)
    except ChainrunError:
        return None
    if node.stem is None or node.rate_hz != RATE:
        return None
    both = [Bench(shelf.steps(name)) for name in (pair.one, pair.other)]
    with closing(StemSource(node.stem, node.rate_hz)) as source:
        n = min(source.n_frames, int(MAX_STEM_S * RATE))
        x = source.read(n)
    keys: dict[Key, Array] = {}
    for key in {key for bench in both for key in bench.keys}:
        sidechain = _key(plan, key, n)
        if sidechain is None:
            return None
        keys[key] = sidechain
    n_channels = max(x.shape[0], *(channels_for(bench.steps) for bench in both))
    x = x if x.shape[0] == n_channels else np.concatenate([x, x])
    hit = node.stream.hit_level_dbfs if node.stream.hit_level_dbfs is not None else HIT_DBFS
    louder = db_to_gain(HIT_DBFS - hit)  # as the profiles' hits are: thresholds under hits mean the same
    sounding = {key: np.concatenate([one] * (n_channels // one.shape[0])) * louder for key, one in keys.items()}
    a, b = (k_weighted(bench.run(x * louder, n_channels, sounding), RATE) for bench in both)
    if a.shape != b.shape or not float(np.sum(b**2)) > 0.0:
        return None
    gain = matching_gain(float(np.sum(a * b)), float(np.sum(b**2)))
    left, whole = float(np.sum((a - gain * b) ** 2)), float(np.sum(a**2))
    return round(residual_lu(left, max(whole, 1e-20), minimum=MIN_LU), 1)


def _key(plan: Plan, key: Key, n_frames: int) -> Array | None:
    """What a use's key hears: the raw sum of stems of one channel; None for what would have to be rendered first."""
    total = np.zeros((1, n_frames))
    for name in key.sources:
        node = next((one for one in plan.nodes if one.name == name), None)
        if node is None or node.stem is None or key.tap != "before_chain" or node.stem.n_channels != 1:
            return None
        with closing(StemSource(node.stem, node.rate_hz)) as source:
            total += source.read(n_frames)
    return total


def clusters(near: Iterable[Apart]) -> list[list[str]]:
    """Groups of presets of which each may take the place of each: every pair in a group is within the limits."""
    pairs_of = [pair for pair in near if pair.replaceable]
    fits = {frozenset((pair.one, pair.other)) for pair in pairs_of}
    group_of: dict[str, list[str]] = {}
    for pair in sorted(pairs_of, key=lambda one: one.residual_lu):
        one, other = group_of.get(pair.one, [pair.one]), group_of.get(pair.other, [pair.other])
        if one is other or not all(frozenset((a, b)) in fits for a in one for b in other):
            continue
        merged = one + other
        for name in merged:
            group_of[name] = merged
    unique = {id(group): group for group in group_of.values()}
    return [sorted(group) for group in unique.values()]


def keeper(group: Sequence[str], shelf: Shelf, used: Usage) -> str:
    """Which one of presets that are alike to keep: the most used, then the newest."""
    return max(group, key=lambda name: (len(used.of(name)), shelf.presets[name].since or 0, name))
