"""Notes on a render: steps that never act or change nothing, stems that are inaudible in the mix."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

from chainrun.contract import Reading, Step
from chainrun.engine.result import NodeResult
from chainrun.plan import Plan

INAUDIBLE_LU = 40.0
"""A stem this far below the mix counts as inaudible (common practice)."""
SHUT = 0.98
"""A gate whose gain reduction never falls below this share of its maximum counts as never open."""


def remarks(plan: Plan, results: Mapping[str, NodeResult]) -> list[str]:
    """Notes on a whole render; each begins with the address of the step or stem."""
    found: list[str] = []
    for name, strip in plan.strips.items():
        if strip.path[0] == "stems":
            silenced = strip.mute or (plan.sounding is not None and name not in plan.sounding)
        else:
            silenced = plan.sounding is not None  # a bus with only some of its stems says nothing about the whole mix
        if name not in results or silenced:
            continue
        node = plan.node(name)
        named = [one for _, one in node.addresses]
        found += _of_chain(".".join(strip.path), named, node.chain, results[name])
    return found + list(_inaudible(plan, results))


def _of_chain(where: str, named: Sequence[str], chain: Sequence[Step], result: NodeResult) -> Iterator[str]:
    if math.isinf(result.measured.sample_peak_dbfs) and not result.readings:
        return
    for address, step in zip(named, chain, strict=False):
        if step.bypass:
            continue
        place = f"{where}.{address}" + ("" if address.endswith(step.do) else f" ({step.do})")
        if step.changes_nothing() and (step.mix_pct == 0.0 or not step.acts):
            yield f"{place}: its settings change nothing"
            continue
        mine = next((one for one in result.readings if one.named == address), None)
        if mine is not None and step.acts:
            yield from _of_reading(place, step, mine)


def _of_reading(place: str, step: Step, reading: Reading) -> Iterator[str]:
    if reading.gain_reduction_working_pct == 0.0:
        what = "never closes" if step.shuts else "never acts"
        yield f"{place}: {what}: its side chain does not reach the threshold" if not step.shuts else f"{place}: {what}"
    elif step.shuts and reading.curve_min_db.size:
        min_db, max_db = float(reading.curve_min_db.min()), reading.gain_reduction_max_db
        if max_db > 1.0 and min_db >= SHUT * max_db:
            yield f"{place}: never opens: its side chain does not reach the threshold (is a minus sign missing?)"


def _inaudible(plan: Plan, results: Mapping[str, NodeResult]) -> Iterator[str]:
    """Notes on stems far below the mix, by their prints' loudness and the faders on their way."""
    main = results.get("main")
    if main is None or not math.isfinite(main.measured.integrated_lufs):
        return
    for name, strip in plan.strips.items():
        silenced = strip.mute or (plan.sounding is not None and name not in plan.sounding)
        result = results.get(name)
        if strip.path[0] != "stems" or result is None or silenced or strip.has_sends:
            continue
        level = result.measured.integrated_lufs + sum(plan.strips[one].level_db for one in plan.way_of(name))
        under = main.measured.integrated_lufs - level - max(0.0, strip.ride_max_db)
        if math.isinf(result.measured.sample_peak_dbfs):
            yield f"stems.{name}: inaudible: its print is silent"
        elif math.isfinite(under) and under > INAUDIBLE_LU:
            yield f"stems.{name}: inaudible: about {under:.0f} LU below the mix"
