"""Judges a delivered file against its baseline: which aspects changed, by how much, against what limit, and when."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from chainrun.comparison.limits import Floor, dither_dbfs
from chainrun.measured import MIN_RANGE_S
from chainrun.recipe.model import Tolerances
from chainrun.verify.aspects import FORMAT, Aspect
from chainrun.verify.checks import BandsChanged, Bound, Check, LargestChangeAt, Limit, RangeOf, ResidualPlaces, Samples
from chainrun.verify.facts import SILENT_DB, DeliveryFacts
from chainrun.verify.sketches import Residual, residual, third_octaves_apart

RANGE_JUDGED_S = 15.0
"""Minimum length of a programme whose loudness range is judged without the recipe asking for it."""
MIN_SIDE_DB = -60.0
"""Side-to-mid ratio below which changes do not count: a mono mix has a side of rounding errors."""
CURVE_COUNTS_LU = 20.0
"""Loudness over time is judged only where it is within this of the loudest moment."""
STICKS_OUT_LU = 3.0
"""A time step whose residual exceeds the whole's by more than this is named."""
AS_IT_WAS = (Limit(Bound.AS_IT_WAS),)


def quantity_limits(limits: Tolerances) -> dict[Aspect, float]:
    """The readings of a delivery that are judged, each with its maximum change."""
    return {
        Aspect.INTEGRATED: limits.integrated_lu,
        Aspect.MOMENTARY: limits.loudness_max_lu,
        Aspect.SHORT_TERM: limits.loudness_max_lu,
        Aspect.RANGE: limits.range_lu,
        Aspect.TRUE_PEAK: limits.true_peak_db,
        Aspect.CORRELATION: limits.correlation,
        Aspect.SIDE: limits.side_db,
    }


@dataclass(frozen=True)
class _Pair:
    """Facts about a delivery, in the baseline and now."""

    name: str
    was: DeliveryFacts
    now: DeliveryFacts
    limits: Tolerances


def judge_delivery(name: str, was: DeliveryFacts, now: DeliveryFacts, limits: Tolerances) -> list[Check]:
    """Judge one delivered file against the baseline's. A difference of dither alone counts as none."""
    pair = _Pair(name, was, now, limits)
    checks = list(_format_checks(pair))
    if not checks and was.pcm_sha256 == now.pcm_sha256:
        return [samples_check(name, Samples.SAME, _measured(now.integrated_lufs))]
    if not was.comparable(now):
        return checks
    bands = third_octaves_apart(was, now)
    worst = max((abs(db) for db in bands.values()), default=0.0)
    apart = residual(was, now)
    floor = Floor(limits.residual_lu, limits.third_octave_db, dither_dbfs(now.encoding))
    if not checks and floor.holds(apart.likely_lu(), apart.likely_loudest_lu(), apart.loudest_dbfs, worst):
        return [samples_check(name, Samples.NO_AUDIBLE_DIFFERENCE, apart.lu)]
    return [
        *checks,
        *_quantity_checks(pair),
        _spectrum_check(pair, bands, worst),
        _curve_check(pair),
        _residual_check(pair, apart),
    ]


def _format_checks(pair: _Pair) -> Iterator[Check]:
    for aspect, key in FORMAT.items():
        was, now = getattr(pair.was, key), getattr(pair.now, key)
        if was != now:
            yield Check(aspect, False, float(now), float(was), AS_IT_WAS, delivery=pair.name)
    if pair.was.encoding != pair.now.encoding:
        yield Check(Aspect.ENCODING, False, pair.now.encoding, pair.was.encoding, AS_IT_WAS, delivery=pair.name)


def _quantity_checks(pair: _Pair) -> Iterator[Check]:
    lasts_s = min(pair.was.n_frames, pair.now.n_frames) / pair.now.rate_hz
    for aspect, allowed in quantity_limits(pair.limits).items():
        then, today = float(getattr(pair.was, aspect.value)), float(getattr(pair.now, aspect.value))
        if then == today == SILENT_DB:
            continue
        detail = None
        if aspect is Aspect.RANGE:
            if lasts_s < RANGE_JUDGED_S and "range_lu" not in pair.limits.model_fields_set:
                continue
            detail = RangeOf(short=lasts_s < MIN_RANGE_S)
        if aspect is Aspect.SIDE:
            then, today = max(then, MIN_SIDE_DB), max(today, MIN_SIDE_DB)
        limit = Limit(Bound.WITHIN, allowed)
        passed, values = limit.allows(today, then), (_measured(today), _measured(then))
        yield Check(aspect, passed, *values, (limit,), delivery=pair.name, detail=detail)


def _measured(value: float) -> float | None:
    """A reading of a baseline; None for silence and for a reading that was not measured."""
    return value if value > SILENT_DB else None


def _spectrum_check(pair: _Pair, bands: dict[str, float], worst: float) -> Check:
    limit = Limit(Bound.WITHIN, pair.limits.third_octave_db)
    return Check(
        Aspect.SPECTRUM, limit.allows(worst), worst, 0.0, (limit,), delivery=pair.name, detail=BandsChanged(bands)
    )


def _curve_check(pair: _Pair) -> Check:
    """Judge the change of loudness over time, where the sound is loud enough to count."""
    one, other = pair.was.curve(), pair.now.curve()
    n = min(one.size, other.size)
    one, other = one[:n], other[:n]
    loudest = max(one.max(initial=SILENT_DB), other.max(initial=SILENT_DB))
    moves = np.where(np.maximum(one, other) >= loudest - CURVE_COUNTS_LU, other - one, 0.0)
    at = int(np.abs(moves).argmax()) if n else 0
    largest = float(moves[at]) if n else 0.0
    limit = Limit(Bound.WITHIN, pair.limits.curve_lu)
    detail = LargestChangeAt(at * pair.was.curve_step_s)
    return Check(Aspect.CURVE, limit.allows(largest), largest, 0.0, (limit,), delivery=pair.name, detail=detail)


def _residual_check(pair: _Pair, apart: Residual) -> Check:
    """Judge the residual. An estimate whose uncertainty reaches above the limit fails."""
    limit_lu, step_s = pair.limits.residual_lu, pair.was.curve_step_s
    at, loudest = apart.loudest()
    first = apart.first_step_over(limit_lu)
    passed = max(apart.likely_lu(), apart.likely_loudest_lu()) <= limit_lu
    detail = ResidualPlaces(
        from_s=first * step_s if first is not None else None,
        loudest_lu=loudest,
        loudest_s=at * step_s,
        sticks_out=loudest > apart.lu + STICKS_OUT_LU,
        may_be_over=not passed and max(apart.lu, loudest) <= limit_lu,
    )
    limits = (Limit(Bound.AT_MOST, limit_lu),)
    return Check(Aspect.RESIDUAL, passed, apart.lu, limits=limits, delivery=pair.name, detail=detail)


def samples_check(name: str, samples: Samples, found: float | None = None) -> Check:
    """A check whose only statement is how a delivery's samples compare with the baseline's."""
    passed = samples in (Samples.SAME, Samples.NO_AUDIBLE_DIFFERENCE)
    return Check(Aspect.SAMPLES, passed, found, delivery=name, detail=samples)
