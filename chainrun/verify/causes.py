"""Finds the cause of a difference: the most upstream node that differs, and changes of recipe and recordings."""

from __future__ import annotations

from chainrun.comparison.limits import NAMED_BAND_DB
from chainrun.recipe.model import Tolerances
from chainrun.verify.aspects import FORMAT, Aspect, Unit, unit_of
from chainrun.verify.baseline import Baseline
from chainrun.verify.changes import (
    Cause,
    ChangeKind,
    KeyChange,
    NodeChange,
    NodeChangeKind,
    PrintChange,
    PrintChangeKind,
)
from chainrun.verify.facts import NodeFacts
from chainrun.verify.recordings import recording_changes, recording_of
from chainrun.verify.settings import by_file, changed_settings, file_key, reordered, stem_settings
from chainrun.verify.sketches import residual, third_octaves_apart

SAME_NODE_DB = -90.0
"""Maximum residual in LU, against itself, at which a node's print counts as the same on another machine."""
SAME_NODE_DBFS = -150.0
"""Maximum level of the residual at which two prints count as the same in any case."""
MIN_LEVEL_DB = 0.01
"""Minimum change of level that is named."""
BEFORE_THE_CHAIN = (
    "file", "channel", "at_s", "from_s", "to_s", "trim_db", "invert", "shift_samples", "shift_ms", "hit_level_dbfs",
)  # fmt: skip


def find_cause(was: Baseline, now: Baseline, limits: Tolerances) -> Cause:
    """Find the most upstream node that differs, and the settings that changed."""
    then, today = by_file(was.settings, now.settings), now.settings
    changed = [_with_recording(one, was, now) for one in changed_settings(then, today)] + reordered(then, today)
    same_machine = was.made_with == now.made_with
    new_names = {twin for _, twin in _twins(was, now)}
    nodes: list[str] = []
    first: str | None = None
    differences: tuple[PrintChange, ...] = ()
    for name, node in _upstream_first(was, now):
        old = was.nodes.get(name)
        if old is None:
            nodes += [name] if name not in new_names else []
            continue
        if _same(old, node, same_machine=same_machine):
            continue
        nodes.append(name)
        if first is None:
            first, differences = name, tuple(_print_changes(old, node, limits))
    if first is None:
        first = next((name for name in now.nodes if name not in was.nodes), None)
    return Cause(first, differences, tuple(changed), tuple(nodes))


def _with_recording(change: KeyChange, was: Baseline, now: Baseline) -> KeyChange:
    """The change of a stem's file, described by how its recording changed if both recordings are known."""
    stem = next((name for name in now.recordings if file_key(name) == change.key), None)
    if stem is None or stem not in was.recordings:
        return change
    found = recording_changes(recording_of(was.recordings[stem]), recording_of(now.recordings[stem]))
    return KeyChange(change.key, ChangeKind.RECORDING, recording=found)


def _same(was: NodeFacts, now: NodeFacts, *, same_machine: bool) -> bool:
    """Whether two prints are identical, or differ only by the machine's rounding."""
    if not was.comparable(now):
        return False
    if was.pcm_crc32 == now.pcm_crc32 and was.n_frames == now.n_frames:
        return True
    if same_machine and was.identity == now.identity:
        return False
    apart = residual(was, now)
    return apart.lu <= SAME_NODE_DB or apart.loudest_dbfs <= SAME_NODE_DBFS


def _print_changes(was: NodeFacts, now: NodeFacts, limits: Tolerances) -> list[PrintChange]:
    """The changes of a node's print: format, else residual, level, spectrum, length and readings."""
    found = []
    for aspect, key in FORMAT.items():
        before, after = getattr(was, key), getattr(now, key)
        if before != after and aspect is not Aspect.LENGTH:
            found.append(PrintChange(PrintChangeKind.FORMAT, before=before, after=after, aspect=aspect))
    if found:
        return found
    apart = residual(was, now)
    begin = apart.first_step_over(SAME_NODE_DB)
    from_s = begin * was.curve_step_s if begin is not None else None
    found.append(PrintChange(PrintChangeKind.RESIDUAL, apart.lu, from_s=from_s))
    louder = now.rms_dbfs - was.rms_dbfs
    if abs(louder) >= MIN_LEVEL_DB:
        found.append(PrintChange(PrintChangeKind.LEVEL, louder))
    bands = third_octaves_apart(was, now)
    if any(abs(db) >= NAMED_BAND_DB for db in bands.values()):
        found.append(PrintChange(PrintChangeKind.SPECTRUM, bands_db=bands))
    if now.n_frames != was.n_frames:
        found.append(PrintChange(PrintChangeKind.LENGTH, now.n_frames - was.n_frames))
    return found + _changed_readings(was, now, limits)


def _changed_readings(was: NodeFacts, now: NodeFacts, limits: Tolerances) -> list[PrintChange]:
    old, new = was.reading_by_name(), now.reading_by_name()
    found = []
    for name in [*old, *(one for one in new if one not in old)]:
        if name not in new or name not in old:
            kind = PrintChangeKind.READING_ADDED if name in new else PrintChangeKind.READING_REMOVED
            found.append(PrintChange(kind, reading=name))
        elif unit_of(name.quantity) is Unit.DB and abs(new[name] - old[name]) > limits.reading_db:
            found.append(PrintChange(PrintChangeKind.READING, before=old[name], after=new[name], reading=name))
    return found


def _upstream_first(was: Baseline, now: Baseline) -> list[tuple[str, NodeFacts]]:
    """Nodes in the plan's order (inputs first), with stems whose own files or trims changed at the front.

    A stem whose raw key is another stem does not wait for that stem's print, so the plan's order is not enough.
    """
    changed = [name for name in now.nodes if _before_the_chain(was, name) != _before_the_chain(now, name)]
    return sorted(now.nodes.items(), key=lambda one: one[0] not in changed)


def _before_the_chain(facts: Baseline, stem: str) -> dict[str, str]:
    """A stem's settings that apply before its chain, which raw keys hear."""
    written = stem_settings(facts.settings, stem)
    return {key: value for key, value in written.items() if key.partition(".")[0] in BEFORE_THE_CHAIN}


def _twins(was: Baseline, now: Baseline) -> list[tuple[str, str]]:
    """Old and new names of nodes that were renamed and have the same print."""
    new = [name for name in now.nodes if name not in was.nodes]
    found = []
    for name, node in was.nodes.items():
        if name in now.nodes:
            continue
        twin = next((other for other in new if now.nodes[other].pcm_crc32 == node.pcm_crc32), None)
        if twin is not None:
            new.remove(twin)
            found.append((name, twin))
    return found


def node_changes(was: Baseline, now: Baseline) -> list[NodeChange]:
    """Nodes that were removed, added or renamed (the same print under another name)."""
    twins = dict(_twins(was, now))
    found = [
        NodeChange(NodeChangeKind.RENAMED, name, twins[name])
        if name in twins
        else NodeChange(NodeChangeKind.REMOVED, name)
        for name in was.nodes
        if name not in now.nodes
    ]
    new = [name for name in now.nodes if name not in was.nodes and name not in twins.values()]
    return found + [NodeChange(NodeChangeKind.ADDED, name) for name in new]
