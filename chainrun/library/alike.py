"""Finds presets that sound nearly the same: by the residual of their outputs on test signals, matched in level."""

from __future__ import annotations

import math
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
"""Maximum difference of level at which one preset may replace another."""
MIN_ENERGY = 1e-6
"""Energy of an output below which it counts as silence."""
MAX_ALIKE_LU = -30.0
"""Maximum residual on every test signal at which two presets count as alike."""
MAX_STEM_S = 8.0
"""Length of the stem's beginning that a pair is compared on."""


@dataclass(frozen=True)
class Apart:
    """A pair of presets and their measured difference."""

    one: str
    other: str
    residual_lu: float | None
    """Largest residual of any test signal, with one gain for all signals; None if both are silent on one of them."""
    worst: str
    """Test signal with that residual; if there is none, the signal on which both are silent."""
    gain_db: float | None
    """Gain on the other preset that matches the first; None if their outputs have nothing in common."""
    response_db: float
    static_db: float
    """Largest difference of the static curves; like `response_db` without the difference of level."""
    stem_residual_lu: float | None = None
    """Residual on a stem on which a recipe uses one of them; None if it was not measured."""
    stem_reason: str | None = None
    """Reason why there is no `stem_residual_lu`."""
    same_keys: bool = True
    """Whether both have the same keys, or none."""

    @property
    def alike(self) -> bool:
        """Whether they sound so similar that one of them is enough."""
        on_stem = self.stem_residual_lu if self.stem_residual_lu is not None else -math.inf
        near = self.sort_lu <= MAX_ALIKE_LU and on_stem <= MAX_ALIKE_LU
        return near and self.same_keys

    @property
    def replaceable(self) -> bool:
        """Whether one may replace the other unchanged: they are alike, and nearly as loud."""
        return self.alike and self.gain_db is not None and abs(self.gain_db) <= MAX_LEVEL_DB

    @property
    def sort_lu(self) -> float:
        """The residual as a sort key: infinity if there is none."""
        return self.residual_lu if self.residual_lu is not None else math.inf

    @property
    def reason(self) -> str | None:
        """Reason why there is no residual."""
        return None if self.residual_lu is not None else f"both are silent on the test signal {self.worst!r}"

    def record(self) -> dict[str, object]:
        """The pair as a JSON object."""
        return asdict(self) | {"reason": self.reason}


def profiles(
    shelf: Shelf, names: Sequence[str], store: Path | None, progress: Progress | None = None
) -> dict[str, Profile]:
    """Profiles of presets, from the store or measured; `progress` is called for those that cannot be measured."""
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
    """Compare two profiles."""
    # A chain that needs stereo was not measured in mono: only the signal that is stereo for all is comparable.
    shared = SEGMENTS if one.n_channels == other.n_channels else ("wide",)
    a = {segment: np.array(one.sketches[segment]) for segment in shared}
    b = {segment: np.array(other.sketches[segment]) for segment in shared}
    products = sum(float(np.sum(a[s] * b[s])) for s in shared)
    energy = sum(float(np.sum(b[s] ** 2)) for s in shared)
    gain = matching_gain(products, energy)
    residuals: dict[str, float] = {}
    for segment in shared:
        energies = float(np.sum(a[segment] ** 2)), float(np.sum(b[segment] ** 2))
        if max(energies) < MIN_ENERGY:
            residuals[segment] = math.inf  # two silences say nothing about what the presets do
            continue
        if min(energies) < MIN_ENERGY:
            residuals[segment] = 0.0  # one is silent: the other's whole output is the residual
            continue
        left = float(np.sum((a[segment] - gain * b[segment]) ** 2))
        whole = max(float(np.sum(a[segment] ** 2)), gain**2 * float(np.sum(b[segment] ** 2)), 1e-12)
        residuals[segment] = residual_lu(left, whole, minimum=MIN_LU)
    worst = max(residuals, key=lambda segment: residuals[segment])
    responses = np.array(one.response_db) - np.array(other.response_db)
    statics = np.array(one.static_db) - np.array(other.static_db)
    return Apart(
        name,
        other_name,
        round(residuals[worst], 1) if residuals[worst] < math.inf else None,
        worst,
        round(gain_to_db(gain), 2) if gain > 0.0 else None,
        round(float(np.abs(responses - np.median(responses)).max()), 2),
        round(float(np.abs(statics - np.median(statics)).max()), 2),
        same_keys=one.keys == other.keys,
    )


def pairs(known: Mapping[str, Profile], of: str | None = None) -> list[Apart]:
    """All pairs of presets, or those with preset `of`; the smallest residual first."""
    names = list(known)
    found = [
        apart(one, known[one], other, known[other])
        for i, one in enumerate(names)
        for other in names[i + 1 :]
        if of is None or of in (one, other)
    ]
    return sorted(found, key=lambda pair: pair.sort_lu)


def on_stems(shelf: Shelf, near: Sequence[Apart], used: Usage) -> list[Apart]:
    """The pairs, with those that are alike on test signals compared on a stem on which a recipe uses one of them."""
    found = []
    for pair in near:
        if pair.alike:
            uses = [
                use
                for use in used.uses
                if use.preset in (pair.one, pair.other) and NodeAddress.of(use.node).group == STEMS
            ]
            pair = _on_stems_of(shelf, pair, uses)
        found.append(pair)
    return found


def _on_stems_of(shelf: Shelf, pair: Apart, uses: Sequence[UseAt]) -> Apart:
    """The pair with its residual on the first stem that allows one, or the reason why none does."""
    reason = "no recipe uses either on a stem"
    for use in uses:
        found = _on_stem(shelf, pair, use)
        if isinstance(found, float):
            return replace(pair, stem_residual_lu=found)
        reason = found
    return replace(pair, stem_reason=reason)


def _on_stem(shelf: Shelf, pair: Apart, use: UseAt) -> float | str:
    """The level-matched residual of two presets on the first seconds of a stem, or the reason why there is none."""
    try:
        opened = open_recipe(use.recipe, Overrides(allow_roots=use.allow_roots))
        plan = build_plan(opened, hash_file=None)
        node = plan.node(NodeAddress.of(use.node).name)
    except ChainrunError as error:
        return f"the recipe cannot be planned: {error.problems[0].message}"
    if node.stem is None:
        return "the preset is not on a stem"
    if node.rate_hz != RATE:
        return f"the recipe's rate is {node.rate_hz} Hz, and profiles are measured at {RATE} Hz"
    both = [Bench(shelf.steps(name)) for name in (pair.one, pair.other)]
    with closing(StemSource(node.stem, node.rate_hz)) as source:
        n = min(source.n_frames, int(MAX_STEM_S * RATE))
        x = source.read(n)
    keys: dict[Key, Array] = {}
    for key in {key for bench in both for key in bench.keys}:
        sidechain = _key(plan, key, n)
        if sidechain is None:
            return "its key would have to be rendered first"
        keys[key] = sidechain
    n_channels = max(x.shape[0], *(channels_for(bench.steps) for bench in both))
    x = x if x.shape[0] == n_channels else np.concatenate([x, x])
    hit = node.stream.hit_level_dbfs if node.stream.hit_level_dbfs is not None else HIT_DBFS
    louder = db_to_gain(HIT_DBFS - hit)  # hits at the profiles' level, so that thresholds below the hits mean the same
    sounding = {key: np.concatenate([one] * (n_channels // one.shape[0])) * louder for key, one in keys.items()}
    a, b = (k_weighted(bench.run(x * louder, n_channels, sounding), RATE) for bench in both)
    if a.shape != b.shape:
        return "one output is mono, the other stereo"
    if not (float(np.sum(a**2)) > 0.0 and float(np.sum(b**2)) > 0.0):
        return "an output is silent"
    gain = matching_gain(float(np.sum(a * b)), float(np.sum(b**2)))
    left, whole = float(np.sum((a - gain * b) ** 2)), float(np.sum(a**2))
    return round(residual_lu(left, whole, minimum=MIN_LU), 1)


def _key(plan: Plan, key: Key, n_frames: int) -> Array | None:
    """The signal of a key: the raw sum of mono stems; None for a key that would have to be rendered first."""
    total = np.zeros((1, n_frames))
    for name in key.sources:
        node = next((one for one in plan.nodes if one.name == name), None)
        if node is None or node.stem is None or key.tap != "before_chain" or node.stem.n_channels != 1:
            return None
        with closing(StemSource(node.stem, node.rate_hz)) as source:
            total += source.read(n_frames)
    return total


def clusters(near: Iterable[Apart]) -> list[list[str]]:
    """Groups of presets that may all replace each other: every pair in a group is within the limits."""
    pairs_of = [pair for pair in near if pair.replaceable]
    fits = {frozenset((pair.one, pair.other)) for pair in pairs_of}
    group_of: dict[str, list[str]] = {}
    for pair in sorted(pairs_of, key=lambda one: one.sort_lu):
        one, other = group_of.get(pair.one, [pair.one]), group_of.get(pair.other, [pair.other])
        if one is other or not all(frozenset((a, b)) in fits for a in one for b in other):
            continue
        merged = one + other
        for name in merged:
            group_of[name] = merged
    unique = {id(group): group for group in group_of.values()}
    return [sorted(group) for group in unique.values()]


def keeper(group: Sequence[str], shelf: Shelf, used: Usage) -> str:
    """The preset of a group to keep: the most used, then the newest."""
    return max(group, key=lambda name: (len(used.of(name)), shelf.presets[name].since or 0, name))
