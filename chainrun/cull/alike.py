"""Which presets do nearly the same: by how far their outputs lie apart on the test signals, matched in level."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.signal import sosfilt

from chainrun.cull.face import HIT_DBFS, RATE, SEGMENTS, Bench, Face, channels_for, kept_face
from chainrun.cull.library import Shelf
from chainrun.cull.usage import Usage, UseAt
from chainrun.engine.fingerprint import code_hash
from chainrun.engine.sources import StemSource
from chainrun.errors import ChainrunError
from chainrun.loudness.k_weighting import k_weighting
from chainrun.plan import build_plan
from chainrun.recipe import open_recipe
from chainrun.units import db_to_gain, gain_to_db

ALIKE_LU = -30.0
"""The worst of the test signals may leave so much residual between two that count as alike."""
STEM_S = 8.0


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

    @property
    def alike(self) -> bool:
        """Whether one of them would do."""
        return self.residual_lu <= ALIKE_LU and (self.stem_lu is None or self.stem_lu <= ALIKE_LU)


def faces(
    shelf: Shelf,
    names: list[str],
    store: Path | None,
    progress: Callable[[str, float], None] = lambda name, share: None,
    left_out: Callable[[str, str], None] = lambda name, reason: None,
) -> dict[str, Face]:
    """The faces of presets; `left_out` hears of those that cannot be run: a response's file is missing, say."""
    found, code = {}, code_hash()
    for k, name in enumerate(names):
        progress(name, 0.99 * k / len(names))
        try:
            found[name] = kept_face(shelf.steps(name), code, store)
        except ChainrunError as error:
            left_out(name, error.problems[0].text())
    return found


def apart(name: str, one: Face, other_name: str, other: Face) -> Apart:
    """How far two faces lie apart."""
    # A chain that needs stereo was not heard in mono: both have in common what is stereo for all.
    shared = SEGMENTS if one.n_channels == other.n_channels else ("wide",)
    a = {segment: np.array(one.sketches[segment]) for segment in shared}
    b = {segment: np.array(other.sketches[segment]) for segment in shared}
    products = sum(float(np.sum(a[s] * b[s])) for s in shared)
    energy = sum(float(np.sum(b[s] ** 2)) for s in shared)
    gain = products / energy if energy > 0.0 and products > 0.0 else 0.0
    residuals = {}
    for segment in shared:
        left = float(np.sum((a[segment] - gain * b[segment]) ** 2))
        whole = max(float(np.sum(a[segment] ** 2)), gain**2 * float(np.sum(b[segment] ** 2)), 1e-12)
        residuals[segment] = 10.0 * math.log10(max(left / whole, 1e-15))
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
    )


def pairs(known: dict[str, Face], of: str | None = None) -> list[Apart]:
    """All pairs of presets (or those with one of them), the nearest first."""
    names = list(known)
    found = [
        apart(one, known[one], other, known[other])
        for i, one in enumerate(names)
        for other in names[i + 1 :]
        if of is None or of in (one, other)
    ]
    return sorted(found, key=lambda pair: pair.residual_lu)


def on_stems(shelf: Shelf, near: list[Apart], used: Usage) -> list[Apart]:
    """Pairs that are alike on the test signals, heard on a real stem, too: one that a recipe uses one of them on."""
    found = []
    for pair in near:
        if pair.alike:
            uses = [use for use in used.uses if use.preset in (pair.one, pair.other) and use.node.startswith("stems.")]
            told = next((lu for use in uses if (lu := _on_stem(shelf, pair, use)) is not None), None)
            pair = replace(pair, stem_lu=told)
        found.append(pair)
    return found


def _on_stem(shelf: Shelf, pair: Apart, use: UseAt) -> float | None:
    """The level-matched residual of two presets on the first seconds of a stem; None where that cannot be heard."""
    try:
        opened = open_recipe(use.recipe)
        node = build_plan(opened).node(use.node.partition(".")[2])
    except ChainrunError:
        return None
    if node.stem is None or node.rate_hz != RATE:
        return None
    with closing(StemSource(node.stem, node.rate_hz)) as source:
        x = source.read(min(source.n_frames, int(STEM_S * RATE)))[0]
    both = [shelf.steps(name) for name in (pair.one, pair.other)]
    n_channels = max(channels_for(steps) for steps in both)
    sections = k_weighting(RATE)
    hit = node.hit_level_dbfs if node.hit_level_dbfs is not None else HIT_DBFS
    scaled = x * db_to_gain(HIT_DBFS - hit)  # as the faces' hits are: thresholds under hits mean the same
    a, b = (sosfilt(sections, Bench(steps).run(scaled, n_channels)) for steps in both)
    if a.shape != b.shape or not float(np.sum(b**2)) > 0.0:
        return None
    gain = max(0.0, float(np.sum(a * b)) / float(np.sum(b**2)))
    left, whole = float(np.sum((a - gain * b) ** 2)), float(np.sum(a**2))
    return round(10.0 * math.log10(max(left / max(whole, 1e-20), 1e-15)), 1)


def clusters(near: Iterable[Apart]) -> list[list[str]]:
    """Presets that are alike, directly or through others, in groups."""
    group_of: dict[str, list[str]] = {}
    for pair in near:
        if not pair.alike:
            continue
        one, other = group_of.get(pair.one, [pair.one]), group_of.get(pair.other, [pair.other])
        if one is other:
            continue
        merged = one + other
        for name in merged:
            group_of[name] = merged
    unique = {id(group): group for group in group_of.values()}
    return [sorted(group) for group in unique.values()]


def keeper(group: list[str], shelf: Shelf, used: Usage) -> str:
    """Which one of presets that are alike to keep: the most used, then the newest."""
    return max(group, key=lambda name: (len(used.of(name)), shelf.presets[name].since or 0, name))
