"""Holds a render to its baseline: what moved, by how much, against what limit, where in time, in which node first."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from chainrun.comparison.difference import bands_apart
from chainrun.comparison.limits import Floor, dither_dbfs, steps_lu
from chainrun.comparison.verdict import clock, where_in_bands
from chainrun.dsp.arrays import Array
from chainrun.dsp.sketch import LINES, energies_apart
from chainrun.loudness.analysis import NOMINAL_HZ
from chainrun.measured import RANGE_WANTS_S, finite
from chainrun.recipe.model import Tolerances
from chainrun.units import power_ratio_db
from chainrun.verify.facts import SILENT_DB, from_one_line, read_back, unpacked
from chainrun.verify.recordings import differences, recording_of

SAME_NODE_DB = -90.0
"""A node's print whose residual lies lower, against itself, is the same one on another machine."""
STEP_DB = 10.0 / math.log(10.0) * math.sqrt(2.0 / LINES)
"""Standard deviation of one step's residual."""
FORMAT = {"rate": "rate_hz", "channels": "n_channels", "length": "n_frames"}
"""What is either as it was or not."""
BEFORE_THE_CHAIN = (
    "file", "channel", "at_s", "from_s", "to_s", "trim_db", "invert", "shift_samples", "shift_ms", "hit_level_dbfs",
)  # fmt: skip
LIMITS = {
    "integrated_lufs": "integrated_lu",
    "momentary_max_lufs": "loudness_max_lu",
    "short_term_max_lufs": "loudness_max_lu",
    "range_lu": "range_lu",
    "true_peak_dbtp": "true_peak_db",
    "correlation": "correlation",
    "side_to_mid_db": "side_db",
}
RANGE_JUDGED_S = 15.0
"""The loudness range of a shorter programme is judged only where the recipe asks for it."""
MIN_CHANGE = {"side_to_mid_db": -60.0}
"""What lies under this is nothing, and does not move: the rounding's own side of a mono mix, say."""
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

    def record(self) -> dict[str, Any]:
        """As a JSON object."""
        return {
            "name": self.name,
            "passed": self.passed,
            "text": self.text,
            "measured": finite(self.measured, 4),
            "was": finite(self.was, 4),
            "limit": self.limit,
            "key": self.key or None,
        }


@dataclass
class Cause:
    """Where a difference comes from, as far as can be told."""

    node: str | None = None
    """The most upstream node whose print differs; None: none does."""
    moved: list[str] = field(default_factory=list)
    """What of it moved."""
    changed: dict[str, str] = field(default_factory=dict)
    """Keys of the recipe that are not as they were, with what was and is."""
    nodes: list[str] = field(default_factory=list)
    """All nodes that differ, in order."""


def unit_of(quantity: str) -> str:
    """The unit of a measured quantity, for a sentence."""
    return UNITS.get(quantity.rsplit("_", 1)[-1], "")


@dataclass(frozen=True)
class Residual:
    """The K-weighted difference of two sounds, as their sketches tell it."""

    lu: float
    """Against what was."""
    loudest_dbfs: float
    """Of the step in which most differs."""
    steps_lu: Array

    def loudest(self) -> tuple[int, float]:
        """The step in which most differs against the mix, and by how much."""
        if not self.steps_lu.size:
            return 0, -math.inf
        at = int(self.steps_lu.argmax())
        return at, float(self.steps_lu[at])


def residual(was: dict[str, Any], now: dict[str, Any]) -> Residual:
    """The difference of what a baseline holds of two sounds of the same rate and channels."""
    one, other = unpacked(was["sketch"]), unpacked(now["sketch"])
    apart, whole = energies_apart(one, other), energies_apart(one, one * 0.0)
    if len(apart) > len(whole):
        whole = np.concatenate([whole, np.zeros(len(apart) - len(whole))])
    of_a_step = int(was["rate_hz"]) * int(was["curve_step_s"]) * int(was["n_channels"])
    return Residual(
        power_ratio_db(float(apart.sum()), float(whole.sum())),
        power_ratio_db(float(apart.max(initial=0.0)) / of_a_step, 1.0),
        steps_lu(apart, whole),
    )


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
    """One delivered file against the baseline's. What is only dithered otherwise is no difference."""
    checks = []
    for word, key in FORMAT.items():
        if was[key] != now[key]:
            frames = " frames" if key == "n_frames" else ""
            text = f"{word}: {was[key]} then, {now[key]}{frames} now"
            checks.append(Check(f"{name}: {word}", False, text, float(now[key]), float(was[key]), "as it was"))
    if was["encoding"] != now["encoding"]:
        text = f"encoding: {was['encoding']} then, {now['encoding']} now"
        checks.append(Check(f"{name}: encoding", False, text, limit="as it was"))
    if not checks and was["pcm_sha256"] == now["pcm_sha256"]:
        return [Check(f"{name}: baseline", True, "the same samples", float(now["integrated_lufs"]))]
    if was["rate_hz"] != now["rate_hz"] or was["n_channels"] != now["n_channels"]:
        return checks  # sketches of other rates are not comparable
    bands = third_octaves_apart(was, now)
    worst = max((abs(db) for db in bands.values()), default=0.0)
    apart = residual(was, now)
    at, loudest = apart.loudest()
    lu = apart.lu
    # A sketch tells the residual within some tenths of a dB, that of one step within 1.5: what may lie over the limit
    # is not let pass.
    likely_lu = lu + 2.0 * uncertainty_db(apart.steps_lu)
    # The loudest of many noisy readings of one level lies over it, too: what sticks out little counts less.
    likely_loudest = loudest + min(2.0 * STEP_DB, max(0.0, loudest - lu - STEP_DB))
    floor = Floor(limits.residual_lu, limits.third_octave_db, dither_dbfs(str(now["encoding"])))
    if not checks and floor.holds(likely_lu, likely_loudest, apart.loudest_dbfs, worst):
        return [Check(f"{name}: baseline", True, f"no audible difference: the residual is {lu:.0f} LU", lu)]
    for quantity, limit_name in LIMITS.items():
        limit = float(getattr(limits, limit_name))
        then, today = float(was[quantity]), float(now[quantity])
        if then == today == SILENT_DB:
            continue
        lasts_s = min(int(was["n_frames"]), int(now["n_frames"])) / int(now["rate_hz"])
        if quantity == "range_lu" and lasts_s < RANGE_JUDGED_S and "range_lu" not in limits.model_fields_set:
            continue
        least = MIN_CHANGE.get(quantity, -math.inf)
        then, today = max(then, least), max(today, least)
        unit = unit_of(quantity)
        text = f"{quantity}: {then:.2f} then, {today:.2f} {unit} now ({today - then:+.2f})"
        if quantity == "range_lu" and lasts_s < RANGE_WANTS_S:
            text += ", of a short programme"
        passed = abs(today - then) <= limit + 1e-9
        checks.append(Check(f"{name}: {quantity}", passed, text, today, then, f"within {limit:g} {unit}".rstrip()))
    where = where_in_bands(bands)
    moved = f"third octaves move by up to {worst:.2f} dB" + (f", mostly {where}" if where else "")
    passed = worst <= limits.third_octave_db + 1e-9
    checks.append(Check(f"{name}: third octaves", passed, moved, worst, 0.0, f"within {limits.third_octave_db:g} dB"))
    step_s = int(was["curve_step_s"])
    checks.append(_curve_check(name, was, now, limits.curve_lu))
    loud = [i for i, level in enumerate(apart.steps_lu) if level > limits.residual_lu]
    begin = f", from {clock(loud[0] * step_s)} on" if loud else ""
    text = f"residual: {lu:.1f} LU against the mix{begin}"
    if loudest > lu + 3.0:
        text += f"; {loudest:.1f} LU at {clock(at * step_s)}"
    passed = max(likely_lu, likely_loudest) <= limits.residual_lu
    if not passed and max(lu, loudest) <= limits.residual_lu:
        text += f" (told within {2.0 * STEP_DB:.1f} dB, and may be over)"
    checks.append(Check(f"{name}: residual", passed, text, lu, None, f"at most {limits.residual_lu:g} LU"))
    return checks


def _curve_check(name: str, was: dict[str, Any], now: dict[str, Any], limit_lu: float) -> Check:
    """Short-term loudness at each time, where it counts: within 20 LU of the loudest."""
    one, other = (from_one_line(facts["curve_lufs"]) for facts in (was, now))
    n = min(one.size, other.size)
    one, other = one[:n], other[:n]
    counts = np.maximum(one, other) >= max(one.max(initial=SILENT_DB), other.max(initial=SILENT_DB)) - 20.0
    moves = np.where(counts, other - one, 0.0)
    at = int(np.abs(moves).argmax()) if n else 0
    most = float(moves[at]) if n else 0.0
    text = f"loudness over time moves by up to {most:+.2f} LU, at {clock(at * int(was['curve_step_s']))}"
    return Check(
        f"{name}: loudness over time", abs(most) <= limit_lu + 1e-9, text, most, 0.0, f"within {limit_lu:g} LU"
    )


def find_cause(was: dict[str, Any], now: dict[str, Any], limits: Tolerances) -> Cause:
    """The most upstream node that differs, and the settings that did."""
    cause = Cause()
    then, today = by_file(was["settings"], now["settings"]), now["settings"]
    cause.changed = changed_settings(then, today) | reordered(then, today)
    for key in [one for one in cause.changed if one.startswith("stems.") and one.endswith(".file")]:
        told = recording_changes(was, now, key.split(".")[1])
        if told:
            cause.changed[key] = told
    same_machine = was["made_with"] == now["made_with"]
    renamed_to = {twin for _, twin in _twins(was, now)}
    for name, node in _upstream_first(was, now):
        old = was["nodes"].get(name)
        if old is None:
            cause.nodes += [name] if name not in renamed_to else []
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


def by_file(then: Mapping[str, str], today: Mapping[str, str]) -> dict[str, str]:
    """The settings of then, each delivery under the number that its file has today; others keep their file's name."""
    numbers = {read_back(text).get("file"): key for key, text in today.items() if key.startswith("deliver.")}
    found = {}
    for key, text in then.items():
        if key.startswith("deliver."):
            file = read_back(text).get("file")
            key = numbers.get(file) or f"deliver of {file}"
        found[key] = text
    return found


def reordered(then: Mapping[str, str], today: Mapping[str, str]) -> dict[str, str]:
    """Chains whose steps are the same ones in another order."""

    def chains(settings: Mapping[str, str]) -> dict[str, list[str]]:
        found: dict[str, list[str]] = {}
        for key in settings:
            strip, chain, step = key.partition(".chain.")
            if chain:
                found.setdefault(f"{strip}.chain", []).append(step)
        return found

    was, now = chains(then), chains(today)
    found = {}
    for chain, steps in was.items():
        other = now.get(chain, [])
        kept, still = [one for one in steps if one in other], [one for one in other if one in steps]
        if kept != still:
            found[chain] = f"order {', '.join(kept)} then, {', '.join(still)} now"
    return found


def recording_changes(was: dict[str, Any], now: dict[str, Any], stem: str) -> str:
    """In words how a stem's recording differs from that of the baseline; empty where that is not known."""
    then, today = was.get("recordings", {}).get(stem), now.get("recordings", {}).get(stem)
    if then is None or today is None:
        return ""
    return "; ".join(differences(recording_of(then), recording_of(today)))


def changed_settings(then: Mapping[str, str], today: Mapping[str, str]) -> dict[str, str]:
    """Every key that is written otherwise, with both values; a step or strip that is new or gone as a whole."""
    found = {}
    for key in [*then, *(one for one in today if one not in then)]:
        if key not in today or key not in then:
            found[key] = "gone" if key not in today else "new"
            continue
        was, now = read_back(then[key]), read_back(today[key])
        for inner in [*was, *(one for one in now if one not in was)]:
            before, after = was.get(inner), now.get(inner)
            if before != after:
                opaque = any(one is not None and one.startswith("#") for one in (before, after))
                place = inner if key == "recipe" else f"{key}.{inner}"
                found[place] = "another" if opaque else f"{before or 'not written'} then, {after or 'not written'} now"
    return found


def _same(was: dict[str, Any], now: dict[str, Any], same_machine: bool) -> bool:
    if was["rate_hz"] != now["rate_hz"] or was["n_channels"] != now["n_channels"]:
        return False
    if was.get("pcm_crc32") == now.get("pcm_crc32") and was["n_frames"] == now["n_frames"]:
        return True
    apart = residual(was, now)
    if same_machine and was.get("identity") == now.get("identity"):
        return False
    return apart.lu <= SAME_NODE_DB or apart.loudest_dbfs <= -150.0


def _moved(was: dict[str, Any], now: dict[str, Any], limits: Tolerances) -> list[str]:
    """What of a node moved, in words."""
    told = []
    for word, key in FORMAT.items():
        if was[key] != now[key] and key != "n_frames":
            told.append(f"{word} {was[key]} to {now[key]}")
    if told:
        return told
    apart = residual(was, now)
    loud = [i for i, one in enumerate(apart.steps_lu) if one > SAME_NODE_DB]
    begin = f" from {clock(loud[0] * int(was['curve_step_s']))} on" if loud else ""
    told.append(f"residual {apart.lu:.1f} dB{begin}")
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


def _upstream_first(was: dict[str, Any], now: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    """Nodes in the plan's order, in which what a node needs comes before it; what was itself changed stands first.

    A stem that listens to another one by a raw key does not wait for its print, so the order alone does not tell.
    """
    nodes = list(now["nodes"].items())
    recordings = [name for name, _ in nodes if _recording(was, name) != _recording(now, name)]
    return sorted(nodes, key=lambda one: one[0] not in recordings)


def _recording(facts: dict[str, Any], name: str) -> dict[str, str]:
    """What a stem is before its chain, which raw keys hear: its files, and what is done to them."""
    told = read_back(facts["settings"].get(f"stems.{name}", ""))
    return {key: value for key, value in told.items() if key.partition(".")[0] in BEFORE_THE_CHAIN}


def _twins(was: dict[str, Any], now: dict[str, Any]) -> list[tuple[str, str]]:
    """Nodes that have another name now, and the same print."""
    new = [name for name in now["nodes"] if name not in was["nodes"]]
    found = []
    for name in was["nodes"]:
        crc = was["nodes"][name].get("pcm_crc32")
        if name in now["nodes"] or crc is None:
            continue
        twin = next((other for other in new if now["nodes"][other].get("pcm_crc32") == crc), None)
        if twin is not None:
            new.remove(twin)
            found.append((name, twin))
    return found


def renamed(was: dict[str, Any], now: dict[str, Any]) -> list[str]:
    """Nodes that are gone and new ones, in words; the same print under another name is a renamed node."""
    twins = dict(_twins(was, now))
    told = [
        f"{name} is called {twins[name]} now, and has the same print" if name in twins else f"{name} is no longer there"
        for name in was["nodes"]
        if name not in now["nodes"]
    ]
    return told + [f"{name} is new" for name in now["nodes"] if name not in was["nodes"] and name not in twins.values()]
