"""What the figures mean, in plain sentences, and never surer than the evidence."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

import numpy as np

from chainrun.dsp.eyring import SPEED_OF_SOUND
from chainrun.loudness import Measured
from chainrun.survey.alone import Alone
from chainrun.survey.between import SURE, Arrived
from chainrun.survey.channels import Channel
from chainrun.survey.survey import PERHAPS, GroupSurvey, Survey

LOUD_DC_DBFS = -60.0
HOT_DBTP = -1.0
LIKE_DB = 0.4
"""An imbalance of a pair below this is not told."""
ALIKE = 0.95
THREE_TO_ONE_DB = 20.0 * math.log10(3.0)
LENGTH_S = 0.05
"""Files whose length is further than this from the usual one are told."""
LATE_S = 5.0


class About(StrEnum):
    """What a sentence of advice is about."""

    SILENCE = "silence"
    CLIPPED = "clipped"
    FLAT_TOPS = "flat_tops"
    """Cut before the converter."""
    HOT = "hot"
    DC = "dc"
    HUM = "hum"
    DROPOUT = "dropout"
    BANDWIDTH = "bandwidth"
    """Nothing above some frequency."""
    RATE = "rate"
    MONO = "mono"
    """The same in both channels of a file."""
    LENGTH = "length"
    LATE = "late"
    """Nothing is heard for long."""
    COPY = "copy"
    FLIPPED_COPY = "flipped_copy"
    POLARITY = "polarity"
    CLOCK = "clock"
    IMBALANCE = "imbalance"
    """One side of a pair is louder than its distances explain."""
    BLEED = "bleed"
    ADDING = "adding"
    """Two microphones take the low end from each other."""
    ARRIVAL = "arrival"
    IMAGE = "image"
    """Where a drum sits in a pair."""
    UNSURE = "unsure"
    """The evidence does not suffice."""

    @property
    def to_know(self) -> bool:
        """Whether it is good to know, and asks for no mending."""
        return self in TO_KNOW


TO_KNOW = (About.ARRIVAL, About.IMAGE, About.UNSURE)
"""In this order, after what asks for mending."""


@dataclass(frozen=True)
class Advice:
    """One sentence about one stem, with how sure it is (0 to 1)."""

    stem: str
    about: About
    text: str
    confidence: float = 1.0


@dataclass(frozen=True)
class Turned:
    """A microphone whose polarity is to be turned, and what says so."""

    by: Arrived

    @property
    def reason(self) -> str:
        """In words, with the hits that say so."""
        if self.by.inverted:
            return f"inverted against {self.by.reference}: {of_hits(self.by)} say so"
        return f"upside down as {self.by.reference} is: {of_hits(self.by)} agree with it"


class Imbalance(NamedTuple):
    """How much louder the right of a pair is than its distances explain."""

    db: float
    spread_db: float
    n_drums: int
    confidence: float

    @property
    def side(self) -> int:
        """The louder side: 0 left, 1 right."""
        return int(self.db > 0.0)

    @property
    def clear(self) -> bool:
        """Whether it is told."""
        return abs(self.db) >= max(LIKE_DB, self.spread_db)

    @property
    def sure(self) -> bool:
        """Whether a trim is proposed."""
        return self.clear and self.confidence >= 0.9

    @property
    def reason(self) -> str:
        """In words."""
        drums = f"{self.n_drums} drums" if self.n_drums != 1 else "one drum alone"
        return f"{abs(self.db):.1f} dB louder than its distances explain, by {drums}"


def told_alone(survey: Survey) -> list[Advice]:
    """What each file tells by itself."""
    found = [
        Advice(channel.name, about, f"{channel.name}: {text}")
        for channel in survey.material.channels
        for about, text in _told_of_channel(survey, channel)
    ]
    return found + _doubled(survey) + _lengths(survey) + _copies(survey)


def _told_of_channel(survey: Survey, channel: Channel) -> Iterator[tuple[About, str]]:
    """What is wrong with one channel by itself, and its sentence without the name."""
    file, index = survey.sides[channel.name]
    one, m = file.channels[index], file.measured
    if one.peak == 0.0:
        yield About.SILENCE, "the file is silent"
        return
    yield from _told_of_tops(one, m, first_side=channel.side in (None, 0))
    if one.dc_dbfs > LOUD_DC_DBFS:
        yield About.DC, f"DC offset of {one.dc_dbfs:.1f} dBFS; `dc_block` or a low cut takes it out"
    if one.hum is not None:
        lines = [
            f"{one.hum.mains_hz * (k + 1):.0f} Hz {level:.0f}"
            for k, level in enumerate(one.hum.levels_dbfs)
            if level is not None
        ]
        yield About.HUM, f"mains hum of {one.hum.mains_hz:.0f} Hz: {', '.join(lines)} dBFS; `hum` takes it out"
    if one.dropouts_at_s:
        times = ", ".join(f"{at:.2f}" for at in one.dropouts_at_s[:3])
        many = f"{one.dropouts} stretches" if one.dropouts > 1 else "a stretch"
        yield About.DROPOUT, f"{many} of exact zeros inside the sound, at {times} s: dropouts, or a gate's work"
    if one.bandwidth_hz is not None:
        yield (
            About.BANDWIDTH,
            f"nothing above {one.bandwidth_hz / 1000:.1f} kHz: it was cut, by a lossy copy perhaps",
        )
    if m.rate_hz != survey.material.rate_hz and channel.side in (None, 0):
        yield (
            About.RATE,
            f"recorded at {m.rate_hz} Hz, the session is at {survey.material.rate_hz}; it will be converted",
        )


def _told_of_tops(one: Alone, m: Measured, *, first_side: bool) -> Iterator[tuple[About, str]]:
    """What the tops of a wave tell: that it was clipped, here or before, or is hot."""
    if one.clipped_runs:
        apart = list(dict.fromkeys(f"{at:.1f}" for at in one.clipped_at_s))
        times, more = ", ".join(apart[:3]), " …" if one.clipped_runs > 3 else ""
        yield (
            About.CLIPPED,
            f"clipped: {one.clipped_runs} runs of 3 frames and more at full scale, the longest "
            f"{one.clipped_longest / m.rate_hz * 1000:.2f} ms (at {times}{more} s); `declip` mends short ones",
        )
    elif one.flat_level_dbfs is not None:
        yield (
            About.FLAT_TOPS,
            f"flat tops at {one.flat_level_dbfs:.1f} dBFS in {one.flat_runs} runs: it was clipped before the "
            "converter (a pad forgotten, say)",
        )
    elif m.true_peak_dbtp is not None and m.true_peak_dbtp > HOT_DBTP and first_side:
        yield About.HOT, f"hot: true peak {m.true_peak_dbtp:+.1f} dBTP; no wave is seen to be cut"


def _doubled(survey: Survey) -> list[Advice]:
    """Stereo files that hold one channel twice, told once for all."""
    names = [channel.stem for channel in survey.material.channels if channel.doubled]
    if not names:
        return []
    shown = ", ".join(names[:8]) + (f" and {len(names) - 8} more" if len(names) > 8 else "")
    what = "one file holds" if len(names) == 1 else f"{len(names)} files hold"
    return [Advice(names[0], About.MONO, f"{what} the same in both channels, and counts as one channel: {shown}")]


def _lengths(survey: Survey) -> list[Advice]:
    """Files of another length than most, and those that begin late."""
    found: list[Advice] = []
    seconds: dict[str, tuple[float, Channel]] = {}
    for channel in survey.material.channels:
        file, index = survey.sides[channel.name]
        seconds.setdefault(channel.stem, (file.channels[index].n_frames / file.measured.rate_hz, channel))
    counts = Counter(round(length, 2) for length, _ in seconds.values())
    usual, n_common = counts.most_common(1)[0] if counts else (0.0, 0)
    for stem, (length, channel) in seconds.items():
        file, index = survey.sides[channel.name]
        one = file.channels[index]
        if n_common >= 3 and abs(length - usual) > LENGTH_S:
            more = length - usual
            text = f"{stem}: {abs(more):.2f} s {'longer' if more > 0 else 'shorter'} than most files ({usual:.2f} s)"
            found.append(Advice(stem, About.LENGTH, text))
        if one.peak > 0.0 and one.begin_silence_s >= LATE_S:
            text = f"{stem}: nothing is heard before {one.begin_silence_s:.1f} s; at_s moves it if it was cut"
            found.append(Advice(stem, About.LATE, text, 0.7))
    return found


def _copies(survey: Survey) -> list[Advice]:
    found = []
    for name, other, flipped in survey.copies:
        if flipped:
            text = f"{name}: the samples of {other} upside down; they cancel"
            found.append(Advice(name, About.FLIPPED_COPY, text))
        else:
            found.append(Advice(name, About.COPY, f"{name}: the same samples as {other}"))
    return found


def turned(group: GroupSurvey) -> tuple[list[Turned], bool]:
    """Which microphones to turn over; and whether the reference itself is the odd one out.

    A drum's second microphone goes by its first, the first ones by the reference. Where most of them disagree with the
    reference, it is the one that is upside down.
    """
    seconds = {one.channel: one for one in group.under}
    leading = [one for one in group.arrivals if one.sure and one.channel not in seconds]
    close = {microphone for drum in group.drums for microphone in drum.microphones}
    counted = [one for one in leading if one.channel in close]
    odd = len(counted) >= 2 and sum(one.inverted for one in counted) > len(counted) / 2
    upside = {one.channel for one in leading if one.inverted != odd}
    found = [Turned(one) for one in leading if one.channel in upside]
    found += [Turned(one) for one in seconds.values() if one.sure and one.inverted != (one.reference in upside)]
    return found, odd


def to_turn(survey: Survey) -> dict[str, str]:
    """Every channel whose polarity is to be turned, with the reason."""
    found = {}
    for group in survey.groups:
        turns, odd = turned(group)
        if odd and group.reference is not None:
            found[group.reference] = "most close microphones are upside down against it"
        found |= {turn.by.channel: turn.reason for turn in turns}
    for one in survey.lines:
        if one.confidence >= SURE and one.inverted:
            found[one.channel] = f"inverted against {one.reference}"
    return found


def of_hits(one: Arrived) -> str:
    """`38 of 40 hits`."""
    return f"{round(one.confidence * one.n_hits)} of {one.n_hits} hits" if one.n_hits else f"{one.confidence:.0%} of it"


def metres(one: Arrived, rate_hz: int) -> str:
    """A delay in ms, metres and samples, with the word for its side."""
    seconds = abs(one.delay_frames) / rate_hz
    word = "behind" if one.delay_frames > 0 else "ahead of"
    return (
        f"{seconds * 1000:.2f} ms ({seconds * SPEED_OF_SOUND:.2f} m, {abs(one.delay_frames):.1f} samples) "
        f"{word} {one.reference}"
    )


def told_between(survey: Survey) -> list[Advice]:
    """What the microphones of each group tell of one another."""
    rate = survey.material.rate_hz
    found = [one for group in survey.groups for one in _told_of_group(group, rate)]
    for one in survey.lines:
        if one.confidence >= SURE:
            word = "inverted, and " if one.inverted else ""
            text = f"{one.channel}: {word}{metres(one, rate)} ({one.confidence:.0%} of its windows agree)"
            found.append(Advice(one.channel, About.POLARITY if one.inverted else About.ARRIVAL, text, one.confidence))
    return found


def _told_of_group(group: GroupSurvey, rate_hz: int) -> list[Advice]:
    found = _told_turns(group) + _told_arrivals(group, rate_hz)
    for clock in group.drifts:
        text = (
            f"{clock.channel}: drifts against {clock.reference} by about {clock.ppm:+.0f} ppm ({clock.frames:+.1f} "
            f"samples in {clock.seconds:.0f} s): probably another recorder's clock"
        )
        found.append(Advice(clock.channel, About.CLOCK, text, 0.8))
    for drum in group.drums:
        if not drum.is_first:
            text = f"{drum.microphones[0]}: unsure whether its own drum is hit: others hear earlier what it hears"
            found.append(Advice(drum.microphones[0], About.UNSURE, text, 0.7))
    found += _told_pairs(group) + _told_bleed(group)
    for pair in group.adding:
        if pair.before_db < -1.0 and pair.after_db > pair.before_db + 1.0:
            comb = f", first notch of the comb at {pair.first_notch_hz:.0f} Hz" if pair.first_notch_hz else ""
            text = (
                f"{pair.channel} with {pair.other}: below 300 Hz adding them loses {-pair.before_db:.1f} dB "
                f"against the sum of their powers{comb}; aligned it would be {pair.after_db:+.1f} dB"
            )
            found.append(Advice(pair.channel, About.ADDING, text))
    return found


def _told_turns(group: GroupSurvey) -> list[Advice]:
    """Microphones that are upside down."""
    found: list[Advice] = []
    turns, odd = turned(group)
    if odd:
        text = f"{group.reference}: most close microphones are upside down against it: it is the one to turn over"
        found.append(Advice(str(group.reference), About.POLARITY, text))
    for turn in turns:
        text = f"{turn.by.channel}: {turn.reason}"
        found.append(Advice(turn.by.channel, About.POLARITY, text, turn.by.confidence))
    return found


def _told_arrivals(group: GroupSurvey, rate_hz: int) -> list[Advice]:
    """How far microphones are behind the reference, or perhaps are."""
    found: list[Advice] = []
    for one in group.arrivals:
        if one.confidence < PERHAPS:
            continue
        if not one.sure:
            text = f"{one.channel}: perhaps {metres(one, rate_hz)}, for {one.drum} agrees in {of_hits(one)} only"
            found.append(Advice(one.channel, About.UNSURE, text, one.confidence))
        else:
            text = f"{one.channel}: {metres(one, rate_hz)} by {one.drum} ({of_hits(one)})"
            found.append(Advice(one.channel, About.ARRIVAL, text, one.confidence))
    return found


def imbalance(group: GroupSurvey, stem: str) -> Imbalance | None:
    """Of a pair of microphones; None where no drum tells it."""
    hits = {drum.name: len(drum.rows) for drum in group.drums}
    seats = [seat for seat in group.seats.get(stem, []) if seat.likeness >= ALIKE]
    strong = [seat for seat in seats if hits[seat.drum] >= 5] or seats
    if not strong:
        return None
    errors = np.array([seat.level_db - seat.expected_db for seat in strong])
    weights = np.array([float(hits[seat.drum]) for seat in strong])
    mean = float((errors * weights).sum() / weights.sum())
    spread = float(np.sqrt((weights * (errors - mean) ** 2).sum() / weights.sum()))
    agreed = min(seat.confidence for seat in strong)
    sure = len(strong) >= 2 and agreed >= PERHAPS and spread < 0.5
    return Imbalance(mean, spread, len(strong), 0.9 if sure else 0.6 if agreed >= PERHAPS else 0.4)


def _told_pairs(group: GroupSurvey) -> list[Advice]:
    found = []
    for stem, seats in group.seats.items():
        told = imbalance(group, stem)
        if told is not None and told.clear:
            text = (
                f"{stem}: the {('left', 'right')[told.side]} side is {told.reason} "
                f"(spread {told.spread_db:.1f} dB; taking 1/distance and equal microphones)"
            )
            text += "" if told.sure else "; unsure, and no trim is proposed"
            found.append(Advice(stem, About.IMBALANCE if told.sure else About.UNSURE, text, told.confidence))
        for seat in seats:
            if seat.likeness < ALIKE:
                continue
            if not seat.agrees or seat.confidence < PERHAPS:
                why = "level and arrival name different sides" if not seat.agrees else "its hits do not agree"
                text = f"{stem}: unsure where {seat.drum} sits: {why}"
                found.append(Advice(stem, About.UNSURE, text, 0.4))
                continue
            earlier = "left" if seat.delay_ms > 0 else "right"
            louder = "right" if seat.level_db > 0 else "left"
            level = f"{abs(seat.level_db):.1f} dB louder on the {louder}"
            level = level if abs(seat.level_db) >= 0.05 else "as loud on both sides"
            text = f"{stem}: {seat.drum} arrives {abs(seat.delay_ms):.2f} ms earlier on the {earlier}, and is {level}"
            found.append(Advice(stem, About.IMAGE, text, seat.likeness))
    return found


def _told_bleed(group: GroupSurvey) -> list[Advice]:
    """The rule of three to one: what is three times as far away is 9.5 dB softer. Gains cancel over both ways."""
    found = []
    for k, drum in enumerate(group.drums):
        for other in group.drums[k + 1 :]:
            there = group.bleed.get(drum.name, {}).get(other.microphones[0])
            back = group.bleed.get(other.name, {}).get(drum.microphones[0])
            if there is None or back is None:
                continue
            mean = (there + back) / 2.0
            if mean > -THREE_TO_ONE_DB:
                text = (
                    f"{drum.microphones[0]} and {other.microphones[0]}: they hear each other's drums {-mean:.1f} dB "
                    "softer than their own; three times the distance (3:1) would be 9.5 dB, so gate them, or move them"
                )
                found.append(Advice(drum.microphones[0], About.BLEED, text, 0.7))
    return found


def advice(survey: Survey) -> list[Advice]:
    """All sentences: faults first, then what is good to know."""
    everything = told_alone(survey) + told_between(survey)
    return sorted(everything, key=lambda one: TO_KNOW.index(one.about) + 1 if one.about.to_know else 0)
