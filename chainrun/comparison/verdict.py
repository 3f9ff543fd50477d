"""Words a difference in one sentence, by the thresholds in `limits`."""

from __future__ import annotations

import math
from collections.abc import Sequence

from chainrun.comparison.limits import MAX_BAND_DB, NAMED_BAND_DB, Floor
from chainrun.contract.words import hertz

IDENTICAL = "identical samples"
"""The sentence for two sounds that do not differ at all."""
MAX_RUNS = 3
"""Maximum number of separate ranges of bands that are named; more are named as one range."""


def clock(seconds: float) -> str:
    """A time as minutes and seconds: `1:07`."""
    return f"{int(seconds) // 60}:{int(seconds) % 60:02d}"


def where_in_bands(bands_db: dict[str, float]) -> str | None:
    """The bands that change: `from 4 kHz up, by up to +1.2 dB`; None if no band changes enough to be named."""
    known = list(bands_db)
    changed = [i for i, db in enumerate(bands_db.values()) if abs(db) >= NAMED_BAND_DB]
    if not changed:
        return None
    if len(changed) >= 0.6 * len(known):
        where = "in all bands" if len(changed) == len(known) else "in most bands"
        return f"{where}, {_by(bands_db, changed)}"
    runs = [[changed[0]]]
    for i in changed[1:]:
        if i - runs[-1][-1] <= 2:  # one band in between that hardly changes does not split a range
            runs[-1].append(i)
        else:
            runs.append([i])
    if len(runs) > MAX_RUNS:
        low, high = (hertz(float(known[place])) for place in (changed[0], changed[-1]))
        return f"in {len(changed)} bands from {low} to {high}, {_by(bands_db, changed)}"
    return " and ".join(f"{_range(known, run)}, {_by(bands_db, run)}" for run in runs)


def _by(bands_db: dict[str, float], places: list[int]) -> str:
    values = list(bands_db.values())
    largest = max((values[i] for i in places), key=abs)
    return f"by up to {largest:+.1f} dB" if abs(largest) < MAX_BAND_DB else f"by {MAX_BAND_DB:g} dB or more"


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
    """The time in which the residual is above the floor: `from 0:07 on`; None if it never is."""
    loud = [second for second, level in enumerate(by_second_lu) if level > floor.residual_lu]
    if not loud:
        return None
    first, last = loud[0], loud[-1]
    if first <= 1 and len(loud) >= 0.8 * len(by_second_lu):
        return "throughout"
    if last >= len(by_second_lu) - 2:
        return f"from {clock(first)} on"
    return f"from {clock(first)} to {clock(last + 1)}"


def residual_words(residual_lu: float) -> str:
    """A residual in a sentence: `residual -43.2 LU`."""
    if residual_lu == math.inf:
        return "residual undefined: the original is silent"
    return f"residual {residual_lu:.1f} LU" if math.isfinite(residual_lu) else "no residual"


def verdict(
    *,
    inaudible: bool,
    bands_db: dict[str, float],
    by_second_lu: tuple[float, ...],
    residual_lu: float,
    floor: Floor,
    turned: Sequence[str] = (),
) -> str:
    """The sentence about two sounds whose samples are not identical."""
    if residual_lu == math.inf:
        return "differs: A is silent, B is not"
    level = residual_words(residual_lu)
    if turned and not inaudible:
        return f"differs: B {' and '.join(turned)}; {level}"
    if inaudible:
        return f"no audible difference: {level}"
    parts = []
    bands = where_in_bands(bands_db)
    max_db = max((abs(db) for db in bands_db.values()), default=0.0)
    parts.append(f"differs {bands}" if bands else f"differs, but no third octave changes by more than {max_db:.1f} dB")
    time = where_in_time(by_second_lu, floor)
    if time is not None:
        parts.append(time)
    return f"{', '.join(parts)}; {level}"
