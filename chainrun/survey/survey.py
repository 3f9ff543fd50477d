"""Runs a survey: analyses every stem, finds the hits of each group, and compares its microphones."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from typing import Any, TypeVar

import numpy as np

from chainrun.audiofile import read_header
from chainrun.dsp.arrays import Array
from chainrun.engine.sources import StemSource
from chainrun.errors import Problem, UsageError, nearest
from chainrun.problem_codes import Code
from chainrun.scheduler.processes import worker_pool
from chainrun.survey.between import (
    BLEED_MS,
    MAX_MS,
    SURE,
    Adding,
    Arrived,
    Drift,
    GateLevels,
    HitStretches,
    Seat,
)
from chainrun.survey.channels import Channel, Material
from chainrun.survey.hearing import FileHeard, cut_stretches, hear_envelope, hear_file, largest_difference
from chainrun.survey.kit import HEARS, Drum, close_ones, drums, events_of, far_ones, hears, hit_places, soft_hits
from chainrun.survey.lines import line_and_amplifier
from chainrun.survey.roles import DRUMS

Result = TypeVar("Result")

SHORT_S = 120.0
"""Minimum length of sound, all channels together, for worker processes to be used."""
SOFTEST_COPY = 1e-3
"""Minimum peak of files that are compared for copies: nearly silent files are alike in any case."""
PERHAPS = 0.5
"""Minimum confidence of arrivals that are reported or used."""
WHOLE_S = 180.0
"""Length of a line signal and its amplifier's microphone that is compared."""


@dataclass
class GroupSurvey:
    """Findings in one group of microphones."""

    name: str
    reference: str | None
    channels: list[Channel]
    drums: list[Drum] = field(default_factory=list)
    arrivals: list[Arrived] = field(default_factory=list)
    """Arrival at each microphone relative to the reference, by the drum that shows it best."""
    by_drum: list[Arrived] = field(default_factory=list)
    """Arrivals at far microphones for every drum."""
    under: list[Arrived] = field(default_factory=list)
    """Arrivals at a drum's second microphones, relative to its first."""
    adding: list[Adding] = field(default_factory=list)
    bleed: dict[str, dict[str, float | None]] = field(default_factory=dict)
    seats: dict[str, list[Seat]] = field(default_factory=dict)
    """Places of drums in each pair of far microphones."""
    hit_levels: dict[str, float] = field(default_factory=dict)
    bleed_peaks: dict[str, float | None] = field(default_factory=dict)
    soft_hits: dict[str, list[float]] = field(default_factory=dict)
    """Quieter sounds in close microphones that may be their own drum's, in dB against its loud hits."""
    gates: dict[str, GateLevels] = field(default_factory=dict)
    """Levels of hits and bleed in close microphones after a gate's key filter."""
    drifts: list[Drift] = field(default_factory=list)
    """Microphones whose clock differs from the reference's."""


@dataclass
class Survey:
    """All findings of a survey."""

    material: Material
    files: dict[str, FileHeard]
    """Analysed files by stem; of a pair of files both are in `sides`."""
    sides: dict[str, tuple[FileHeard, int]]
    """By channel: its file, and its index among the file's analysed channels."""
    groups: list[GroupSurvey]
    lines: list[Arrived]
    """Arrivals at amplifier microphones, relative to their line signals."""
    copies: list[tuple[str, str, bool]]
    """Channels with the same samples as an earlier one, and whether in inverted polarity."""


def _hands(n: int, seconds: float) -> AbstractContextManager[Executor | None]:
    """Worker processes, if there is enough sound for them."""
    return worker_pool(n) if n > 1 and seconds >= SHORT_S else nullcontext()


def _all(hands: Executor | None, function: Callable[..., Result], tasks: Sequence[tuple[Any, ...]]) -> list[Result]:
    if hands is None:
        return [function(*task) for task in tasks]
    futures = [hands.submit(function, *task) for task in tasks]
    return [future.result() for future in futures]


def survey(material: Material, *, reference: str | None = None, workers: int = 1) -> Survey:
    """Survey a recipe's stems or a folder's files.

    `reference` is the stem or channel that arrivals are relative to (default: the left overhead). Raises UsageError for
    an unknown reference, AudioError for files that cannot be read.
    """
    if reference is not None:
        known = [name for channel in material.channels for name in (channel.name, channel.stem)]
        if reference not in known:
            raise UsageError(
                Problem(
                    "there is no such stem",
                    given=reference,
                    allowed=", ".join(dict.fromkeys(known)),
                    hint=nearest(reference, known),
                    code=Code.UNKNOWN_WORD,
                    facts=(("asked_by", "reference"),),
                )
            )
    by_file: dict[str, list[Channel]] = {}
    for channel in material.channels:
        by_file.setdefault(str(channel.path), []).append(channel)
    headers = {path: read_header(channels[0].path) for path, channels in by_file.items()}
    seconds = sum(header.n_frames / header.rate_hz * header.n_channels for header in headers.values())
    with _hands(workers, seconds) as hands:
        tasks = [
            (path, tuple(sorted({channel.file_channel for channel in channels}))) for path, channels in by_file.items()
        ]
        measured = dict(zip(by_file, _all(hands, hear_file, tasks), strict=True))
        asked = dict(tasks)
        sides = {
            channel.name: (measured[str(channel.path)], asked[str(channel.path)].index(channel.file_channel))
            for channel in material.channels
        }
        files = {channel.stem: measured[str(channel.path)] for channel in reversed(material.channels)}
        groups = [_group(name, members, material, reference, hands) for name, members in _groups(material)]
        lines = _lines(material)
    return Survey(material, files, sides, groups, lines, _copies(material, sides))


def _copies(material: Material, sides: dict[str, tuple[FileHeard, int]]) -> list[tuple[str, str, bool]]:
    """Find copies: files of the same length and energy are compared sample by sample."""
    found = []
    known: list[tuple[Channel, int, float]] = []
    for channel in material.channels:
        file, index = sides[channel.name]
        one = file.channels[index]
        if one.peak < SOFTEST_COPY:
            continue
        for other, n_frames, energy in known:
            alike = n_frames == one.n_frames and abs(one.energy - energy) < 1e-3 * energy
            if not alike or other.stem == channel.stem:
                continue
            apart, together = largest_difference(
                (str(channel.path), channel.file_channel), (str(other.path), other.file_channel)
            )
            if min(apart, together) <= 1.01 / 32768.0:
                found.append((channel.name, other.name, together < apart))
                break
        else:
            known.append((channel, one.n_frames, one.energy))
    return found


def _groups(material: Material) -> list[tuple[str, list[Channel]]]:
    """Groups of channels recorded together: by the recipe's `group`, else all drums and channels of unknown role."""
    named: dict[str, list[Channel]] = {}
    for channel in material.channels:
        if channel.group is not None:
            named.setdefault(channel.group, []).append(channel)
    if not named:
        kit = [c for c in material.channels if c.role.instrument in DRUMS or c.role.instrument is None]
        named = {"kit": kit}
    return [(name, members) for name, members in named.items() if len(members) > 1]


def _reference(channels: list[Channel], close: list[Channel], asked: str | None) -> Channel | None:
    for channel in channels:
        if asked is not None and asked in (channel.name, channel.stem):
            return channel
    far = [channel for channel in far_ones(channels, close) if channel.role.instrument is not None]
    overheads = [channel for channel in far if channel.role.instrument == "overhead"]
    return next(iter(overheads or far or close), None)


def _group(
    name: str, channels: list[Channel], material: Material, asked: str | None, hands: Executor | None
) -> GroupSurvey:
    rate = material.rate_hz
    envelopes = dict(
        zip(
            (channel.name for channel in channels),
            _all(hands, hear_envelope, [(channel.input, rate) for channel in channels]),
            strict=True,
        )
    )
    named = [channel for channel in channels if channel.role.instrument is not None]
    events = events_of({one.name: envelopes[one.name] for one in named})
    if named:  # an unknown channel without the kit's sound is an overdub
        channels = [one for one in channels if one in named or hears(envelopes[one.name], events) >= HEARS]
    close = close_ones(channels, envelopes)
    reference = _reference(channels, [one for one in close if one in named], asked)
    found = GroupSurvey(name, reference.name if reference is not None else None, channels)
    places = hit_places(close, envelopes)
    if reference is None or not places:
        return found
    cut = _all(hands, cut_stretches, [(channel.input, rate, places) for channel in channels])
    stretches = dict(zip((channel.name for channel in channels), cut, strict=True))
    gap_ms = float(np.percentile(np.diff(events), 25)) if events.size > 8 else float(BLEED_MS)
    group = HitStretches(channels, drums(close, stretches, rate), stretches, rate, places_ms=places, gap_ms=gap_ms)
    found.drums = group.drums
    _tell_arrivals(found, group, reference)
    told = {one.channel for one in found.arrivals if one.confidence >= PERHAPS} | {reference.name}
    found.bleed = {
        drum.name: {
            name: level if name in told and drum.microphones[0] in told else None for name, level in levels.items()
        }
        for drum, levels in zip(found.drums, group.bleed().values(), strict=True)
    }
    for drum in found.drums:
        found.hit_levels.update(group.hit_levels(drum))
        for microphone in drum.microphones:
            found.bleed_peaks[microphone] = group.bleed_peak(drum, microphone)
            found.soft_hits[microphone] = soft_hits(microphone, close, envelopes)
    found.gates = {name: one for name in found.hit_levels if (one := group.levels_for_gate(name)) is not None}
    far = far_ones(channels, close)
    for stem in dict.fromkeys(channel.stem for channel in far):
        pair = [channel for channel in far if channel.stem == stem]
        if len(pair) == 2:
            found.seats[stem] = group.seats(pair[0].name, pair[1].name)
    return found


def _tell_arrivals(found: GroupSurvey, group: HitStretches, reference: Channel) -> None:
    """Add the arrival at each channel relative to the reference, and the effect of adding the two."""
    for channel in found.channels:
        if channel.name != reference.name:
            _tell_arrival(found, group, channel.name, reference.name)
    for second in found.under:
        drum = group.drum_of(second.channel)
        assert drum is not None
        _tell_adding(found, group, second, drum)


def _tell_arrival(found: GroupSurvey, group: HitStretches, channel: str, reference: str) -> None:
    """Add the arrival at one channel, and the effect of adding it to its reference."""
    max_frames = MAX_MS * group.rate_hz / 1000.0
    told = [one for one in group.against(channel, reference) if abs(one.delay_frames) <= max_frames]
    own = group.drum_of(channel)
    best = group.as_sure(told[0]) if told else None
    if best is not None:
        found.arrivals.append(best)
    if own is None:
        found.by_drum += told
    elif channel != own.microphones[0]:
        second = group.between(own.microphones[0], channel, own)
        if second is not None:
            found.under.append(second)
    if best is None:
        return
    drift = group.drift(best)
    if drift is not None:
        found.drifts.append(drift)
    if own is not None and best.confidence >= SURE:
        _tell_adding(found, group, best, own)


def _tell_adding(found: GroupSurvey, group: HitStretches, one: Arrived, drum: Drum) -> None:
    """Add the effect of adding a channel to its reference, as recorded and aligned."""
    pair = group.adding(one.channel, one.reference, drum, (-one.delay_frames, one.inverted))
    if pair is not None:
        found.adding.append(pair)


def _lines(material: Material) -> list[Arrived]:
    """Arrivals at amplifier microphones, relative to the line signal of the same instrument."""
    found = []
    for line in material.channels:
        if line.role.part != "line":
            continue
        for other in material.channels:
            if other.role.instrument == line.role.instrument and other.role.part == "amp":
                sound = [_begin(channel, material.rate_hz) for channel in (line, other)]
                told = line_and_amplifier(sound[0], sound[1], material.rate_hz)
                if told is not None:
                    found.append(Arrived(other.name, line.name, str(line.role.instrument), *told, n_hits=0))
    return found


def _begin(channel: Channel, rate_hz: int) -> Array:
    source = StemSource(channel.input, rate_hz)
    try:
        return np.asarray(source.read(min(source.n_frames, int(WHOLE_S * rate_hz)))[0])
    finally:
        source.close()
