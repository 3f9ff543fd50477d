"""Holds a render to its baseline: what moved, by how much, against what limit, where in time, in which node first."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from chainrun.compare.difference import bands_apart
from chainrun.compare.limits import Floor
from chainrun.compare.verdict import clock, where_in_bands
from chainrun.dsp.arrays import Array
from chainrun.dsp.sketch import LINES, energies_apart
from chainrun.loudness.analysis import NOMINAL_HZ
from chainrun.recipe.model import Tolerances
from chainrun.units import power_ratio_db
from chainrun.verify.facts import SILENT_DB, from_one_line, unpacked

SAME_NODE_DB = -90.0
"""A node's print whose residual lies lower, against itself, is the same one on another machine."""
LIMITS = {
    "integrated_lufs": "integrated_lu",
    "momentary_max_lufs": "loudness_max_lu",
    "short_term_max_lufs": "loudness_max_lu",
    "range_lu": "range_lu",
    "true_peak_dbtp": "true_peak_db",
    "correlation": "correlation",
    "side_to_mid_db": "side_db",
}
UNITS = {"lufs": "LUFS", "lu": "LU", "dbtp": "dBTP", "db": "dB", "dbfs": "dBFS", "pct": "%", "hz": "Hz", "samples": ""}


@dataclass(frozen=True)
class Check:
    """One thing that was looked at."""

    name: str
    passed: bool
    text: str
    measured: float | None = None
    was: float | None = None
    limit: str | None = None
    key: str = ""
    """The recipe's key that it is about, for its place."""


@dataclass
class Cause:
    """Where a difference comes from, as far as can be told."""

    node: str | None = None
    """The most upstream node whose print differs; None: none does."""
    moved: list[str] = field(default_factory=list)
    """What of it moved."""
    changed: list[str] = field(default_factory=list)
    """Keys of the recipe that are not as they were."""
    nodes: list[str] = field(default_factory=list)
    """All nodes that differ, in order."""


def unit_of(quantity: str) -> str:
    """The unit of a measured quantity, for a sentence."""
    return UNITS.get(quantity.rsplit("_", 1)[-1], "")


def residual(was: dict[str, Any], now: dict[str, Any]) -> tuple[float, float, Array]:
    """(LU or dB against what was, dBFS, LU in each step of the curve) of the K-weighted difference."""
    one, other = unpacked(was["sketch"]), unpacked(now["sketch"])
    apart, whole = energies_apart(one, other), energies_apart(one, one * 0.0)
    total, against = float(apart.sum()), float(whole.sum())
    frames = max(int(was["n_frames"]), int(now["n_frames"]), 1) * int(was["n_channels"])
    mean = against / max(1, len(one))
    steps = np.array([power_ratio_db(float(energy), mean) for energy in apart])
    return power_ratio_db(total, against), power_ratio_db(total / frames, 1.0), steps


def uncertainty_db(steps: Array) -> float:
    """Standard deviation of a sketch's level in dB: chi-squared over its sums, weighed by how loud each step is."""
    powers = 10.0 ** (np.where(np.isfinite(steps), steps, -300.0) / 10.0)
    total = float(powers.sum())
    degrees = LINES * (total**2 / max(float((powers**2).sum()), 1e-300)) if total > 0.0 else math.inf
    return 10.0 / math.log(10.0) * math.sqrt(2.0 / degrees)


def third_octaves_apart(was: dict[str, Any], now: dict[str, Any]) -> dict[str, float]:
    """Third octaves that moved, where they count."""
    bands = []
    for one in (was, now):
        levels = from_one_line(one["third_octaves_db"])
        bands.append(
            {
                f"{hz:g}": float(level) if level > SILENT_DB else -math.inf
                for hz, level in zip(NOMINAL_HZ, levels, strict=False)
            }
        )
    return bands_apart(bands[0], bands[1])


def judge_delivery(name: str, was: dict[str, Any], now: dict[str, Any], limits: Tolerances) -> list[Check]:
    """One delivered file against the baseline's."""
    if was["pcm_sha256"] == now["pcm_sha256"]:
        return [Check(f"{name}: baseline", True, "the same samples")]
    checks = []
    for key, word in (("rate_hz", "rate"), ("n_channels", "channels"), ("n_frames", "length")):
        if was[key] != now[key]:
            frames = " frames" if key == "n_frames" else ""
            text = f"{word}: {was[key]} then, {now[key]}{frames} now"
            checks.append(Check(f"{name}: {word}", False, text, float(now[key]), float(was[key]), "as it was"))
    if was["rate_hz"] != now["rate_hz"] or was["n_channels"] != now["n_channels"]:
        return checks
    bands = third_octaves_apart(was, now)
    worst = max((abs(db) for db in bands.values()), default=0.0)
    lu, dbfs, steps = residual(was, now)
    # A sketch tells the residual within some tenths of a dB: what may lie over the limit is not let pass.
    likely_lu = lu + 2.0 * uncertainty_db(steps)
    floor = Floor(limits.residual_lu, limits.third_octave_db)
    if not checks and floor.holds(likely_lu, dbfs, worst):
        return [Check(f"{name}: baseline", True, f"no audible difference: the residual is {lu:.0f} LU", lu)]
    for quantity, limit_name in LIMITS.items():
        limit = float(getattr(limits, limit_name))
        then, today = float(was[quantity]), float(now[quantity])
        if then == today == SILENT_DB:
            continue
        unit = unit_of(quantity)
        text = f"{quantity}: {then:.2f} then, {today:.2f} {unit} now ({today - then:+.2f})"
        passed = abs(today - then) <= limit + 1e-9
        checks.append(Check(f"{name}: {quantity}", passed, text, today, then, f"within {limit:g} {unit}".rstrip()))
    where = where_in_bands(bands)
    moved = f"third octaves move by up to {worst:.2f} dB" + (f", mostly {where}" if where else "")
    passed = worst <= limits.third_octave_db + 1e-9
    checks.append(Check(f"{name}: third octaves", passed, moved, worst, 0.0, f"within {limits.third_octave_db:g} dB"))
    loud = [i for i, level in enumerate(steps) if level > limits.residual_lu]
    begin = f", from {clock(loud[0] * int(was['curve_step_s']))} on" if loud else ""
    text = f"residual: {lu:.1f} LU against the mix{begin}"
    passed = likely_lu <= limits.residual_lu
    checks.append(Check(f"{name}: residual", passed, text, lu, None, f"at most {limits.residual_lu:g} LU"))
    return checks


def find_cause(was: dict[str, Any], now: dict[str, Any], limits: Tolerances) -> Cause:
    """The most upstream node that differs, and the settings that did."""
    cause = Cause()
    then, today = was["settings"], now["settings"]
    cause.changed = [key for key in [*then, *(k for k in today if k not in then)] if then.get(key) != today.get(key)]
    same_machine = was["made_with"] == now["made_with"]
    for name, node in now["nodes"].items():  # in the plan's order: what a node needs comes before it
        old = was["nodes"].get(name)
        if old is None:
            cause.nodes.append(name)
            continue
        if "sketch" not in node or _same(old, node, same_machine):
            continue
        cause.nodes.append(name)
        if cause.node is None:
            cause.node = name
            cause.moved = _moved(old, node, limits)
    if cause.node is None:
        cause.node = next((name for name in now["nodes"] if name not in was["nodes"]), None)
    return cause


def _same(was: dict[str, Any], now: dict[str, Any], same_machine: bool) -> bool:
    if was.get("pcm_crc32") == now.get("pcm_crc32") and was["n_frames"] == now["n_frames"]:
        return True
    level, dbfs, _ = residual(was, now)
    if same_machine and was.get("identity") == now.get("identity"):
        return False
    return level <= SAME_NODE_DB or dbfs <= -150.0


def _moved(was: dict[str, Any], now: dict[str, Any], limits: Tolerances) -> list[str]:
    """What of a node moved, in words."""
    told = []
    level, _, steps = residual(was, now)
    loud = [i for i, one in enumerate(steps) if one > SAME_NODE_DB]
    begin = f" from {clock(loud[0] * int(was['curve_step_s']))} on" if loud else ""
    told.append(f"residual {level:.1f} dB{begin}")
    if abs(now["rms_dbfs"] - was["rms_dbfs"]) >= 0.01:
        told.append(f"level {now['rms_dbfs'] - was['rms_dbfs']:+.2f} dB")
    bands = where_in_bands(third_octaves_apart(was, now))
    if bands:
        told.append(f"spectrum {bands}")
    if now["n_frames"] != was["n_frames"]:
        told.append(f"length {now['n_frames'] - was['n_frames']:+d} frames")
    old, new = was.get("readings", {}), now.get("readings", {})
    for key in [*old, *(one for one in new if one not in old)]:
        if key not in new or key not in old:
            told.append(f"{key} is {'gone' if key not in new else 'new'}")
        elif key.endswith("_db") and abs(new[key] - old[key]) > limits.reading_db:
            told.append(f"{key} {old[key]:.1f} to {new[key]:.1f}")
    return told


def renamed(was: dict[str, Any], now: dict[str, Any]) -> list[str]:
    """Nodes that are gone and new ones, in words; the same print under another name is a renamed node."""
    gone = [name for name in was["nodes"] if name not in now["nodes"]]
    new = [name for name in now["nodes"] if name not in was["nodes"]]
    told = []
    for name in gone:
        crc = was["nodes"][name].get("pcm_crc32")
        twin = next((other for other in new if crc is not None and now["nodes"][other].get("pcm_crc32") == crc), None)
        if twin is not None:
            new.remove(twin)
            told.append(f"{name} is called {twin} now, and has the same print")
        else:
            told.append(f"{name} is no longer there")
    return told + [f"{name} is new" for name in new]
