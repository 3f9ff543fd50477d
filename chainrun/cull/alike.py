"""Which presets do nearly the same: by how far their outputs lie apart on the test signals, matched in level."""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from chainrun.contract import Step
from chainrun.cull.face import SEGMENTS, Face, kept_face
from chainrun.cull.library import Shelf
from chainrun.engine.fingerprint import code_hash
from chainrun.plan.identity import sounding_part

ALIKE_LU = -30.0
"""The worst of the test signals may leave so much residual between two that count as alike."""


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

    @property
    def alike(self) -> bool:
        """Whether one of them would do."""
        return self.residual_lu <= ALIKE_LU


def chain_key(steps: list[Step]) -> str:
    """A hash of all that determines a face."""
    described = [sounding_part(step.model_dump(by_alias=True, exclude_none=True)) for step in steps]
    text = json.dumps([described, code_hash()], sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:24]


def faces(shelf: Shelf, names: list[str], store: Path | None) -> dict[str, Face]:
    """The faces of presets; those whose response files are missing are left out."""
    found = {}
    for name in names:
        steps = shelf.steps(name)
        try:
            found[name] = kept_face(steps, chain_key(steps), store)
        except Exception as error:  # a file of a response that is not there
            from chainrun.errors import ChainrunError

            if not isinstance(error, ChainrunError):
                raise
    return found


def apart(name: str, one: Face, other_name: str, other: Face) -> Apart:
    """How far two faces lie apart."""
    a = {segment: np.array(one.sketches[segment]) for segment in SEGMENTS}
    b = {segment: np.array(other.sketches[segment]) for segment in SEGMENTS}
    products = sum(float(np.sum(a[s] * b[s])) for s in SEGMENTS)
    energy = sum(float(np.sum(b[s] ** 2)) for s in SEGMENTS)
    gain = products / energy if energy > 0.0 and products > 0.0 else 0.0
    residuals = {}
    for segment in SEGMENTS:
        left = float(np.sum((a[segment] - gain * b[segment]) ** 2))
        whole = max(float(np.sum(a[segment] ** 2)), gain**2 * float(np.sum(b[segment] ** 2)), 1e-12)
        residuals[segment] = 10.0 * math.log10(max(left / whole, 1e-15))
    worst = max(residuals, key=lambda segment: residuals[segment])
    gain_db = 20.0 * math.log10(gain) if gain > 0.0 else -120.0
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


def clusters(near: list[Apart]) -> list[list[str]]:
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
