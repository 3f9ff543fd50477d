"""A sentence about a difference, from thresholds that are stated in `limits`."""

from __future__ import annotations

import math
from collections.abc import Sequence

from chainrun.comparison.limits import NAMED_BAND_DB, Floor
from chainrun.contract.words import hertz

THE_SAME = "the same samples"
"""Nothing differs at all."""
MAX_RUNS = 3
"""More separate ranges of bands than this are named as one."""


def clock(seconds: float) -> str:
    """`1:07`."""
    return f"{int(seconds) // 60}:{int(seconds) % 60:02d}"


def where_in_bands(bands_db: dict[str, float]) -> str | None:
    """`above 4 kHz, by up to +1.2 dB`; None where no band moves by so much that it is named."""
    known = list(bands_db)
    moved = [i for i, db in enumerate(bands_db.values()) if abs(db) >= NAMED_BAND_DB]
    if not moved:
        return None
    if len(moved) >= 0.6 * len(known):
        where = "in all bands" if len(moved) == len(known) else "in most bands"
        return f"{where}, {_by(bands_db, moved)}"
    runs = [[moved[0]]]
    for i in moved[1:]:
        if i - runs[-1][-1] <= 2:  # one band between that hardly moves
            runs[-1].append(i)
        else:
            runs.append([i])
    if len(runs) > MAX_RUNS:
        low, high = (hertz(float(known[place])) for place in (moved[0], moved[-1]))
        return f"in {len(moved)} bands from {low} to {high}, {_by(bands_db, moved)}"
    return " and ".join(f"{_range(known, run)}, {_by(bands_db, run)}" for run in runs)


def _by(bands_db: dict[str, float], places: list[int]) -> str:
    values = list(bands_db.values())
    return f"by up to {max((values[i] for i in places), key=abs):+.1f} dB"


def _range(known: list[str], run: list[int]) -> str:
    low, high = known[run[0]], known[run[-1]]
    if low == high:
        return f"at {hertz(float(low))}"
    if high == known[-1]:
        return f"from {hertz(float(low))} up"
    if low == known[0]:
        return f"up to {hertz(float(high))}"
    return f"from {hertz(float(low))} to {hertz(float(high))}"


def where_in_time(by_second_lu: tuple[float, ...], floor: Floor) -> str | None:
    """`from 0:07 on`; None where it is all through."""
    loud = [second for second, level in enumerate(by_second_lu) if level > floor.residual_lu]
    if not loud:
        return None
    first, last = loud[0], loud[-1]
    if first <= 1 and len(loud) >= 0.8 * len(by_second_lu):
        return "all through"
    if last >= len(by_second_lu) - 2:
        return f"from {clock(first)} on"
    return f"from {clock(first)} to {clock(last + 1)}"


def verdict(
    *,
    inaudible: bool,
    bands_db: dict[str, float],
    by_second_lu: tuple[float, ...],
    residual_lu: float,
    floor: Floor,
    turned: Sequence[str] = (),
) -> str:
    """Say in a sentence how two sounds differ that are not the same samples."""
    if residual_lu == math.inf:
        return "differs: A is silence, and B is not"
    level = f"the residual is {residual_lu:.0f} LU" if math.isfinite(residual_lu) else "the residual is silence"
    if turned and not inaudible:
        return f"differs: B is {', and '.join(turned)}; {level}"
    if inaudible:
        return f"no audible difference: {level}"
    parts = []
    bands = where_in_bands(bands_db)
    max_db = max((abs(db) for db in bands_db.values()), default=0.0)
    parts.append(f"differs {bands}" if bands else f"differs, though no third octave moves by more than {max_db:.1f} dB")
    time = where_in_time(by_second_lu, floor)
    if time is not None:
        parts.append(time)
    return f"{', '.join(parts)}; {level}"
