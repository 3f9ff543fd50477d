"""Words the findings of a survey as advice, no more certain than the evidence."""

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
"""Minimum imbalance of a pair that is reported."""
ALIKE = 0.95
THREE_TO_ONE_DB = 20.0 * math.log10(3.0)
LENGTH_S = 0.05
"""Maximum deviation from the usual length of files that is not reported."""
LATE_S = 5.0


class About(StrEnum):
    """Subjects of advice."""

    SILENCE = "silence"
    CLIPPED = "clipped"
    FLAT_TOPS = "flat_tops"
    """The wave was clipped before the converter."""
    HOT = "hot"
    DC = "dc"
    HUM = "hum"
    DROPOUT = "dropout"
    BANDWIDTH = "bandwidth"
    """There is nothing above some frequency."""
    RATE = "rate"
    MONO = "mono"
    """Both channels of a file are the same."""
    LENGTH = "length"
    LATE = "late"
    """The file begins with a long silence."""
    COPY = "copy"
    FLIPPED_COPY = "flipped_copy"
    POLARITY = "polarity"
    CLOCK = "clock"
    IMBALANCE = "imbalance"
    """One side of a pair is louder than the distances explain."""
    BLEED = "bleed"
    ADDING = "adding"
    """Two microphones cancel each other's low end."""
    ARRIVAL = "arrival"
    IMAGE = "image"
    """Place of a drum in a pair of microphones."""
    UNSURE = "unsure"
    """The evidence is not sufficient."""

    @property
    def to_know(self) -> bool:
        """Whether it is information only, not a fault."""
        return self in TO_KNOW


TO_KNOW = (About.ARRIVAL, About.IMAGE, About.UNSURE)
"""Subjects that are information only, in the order in which they are listed after the faults."""


@dataclass(frozen=True)
class Advice:
    """One sentence about one stem."""

    stem: str
    about: About
    text: str
    confidence: float | None = None
    """Share of the evidence that agrees, 0 to 1; None if the finding has no such measure."""

    def record(self) -> dict[str, object]:
        """The advice as a JSON object."""
        pct = percent(self.confidence) if self.confidence is not None else None
        return {"stem": self.stem, "about": self.about, "text": self.text, "confidence_pct": pct}


def percent(share: float) -> float:
    """A share of 0 to 1 in per cent, rounded for reports."""
    return round(100.0 * share, 1)


@dataclass(frozen=True)
class Turned:
    """A microphone whose polarity should be inverted, and the evidence."""

    by: Arrived

    @property
    def reason(self) -> str:
        """The evidence in words, with the number of hits."""
        if self.by.inverted:
            return f"inverted against {self.by.reference} in {of_hits(self.by)}"
        return f"inverted like {self.by.reference}: same polarity in {of_hits(self.by)}"


class Imbalance(NamedTuple):
    """Level of the right side of a pair beyond what the distances explain."""

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
        """Whether it is large enough to report."""
        return abs(self.db) >= max(LIKE_DB, self.spread_db)

    @property
    def sure(self) -> bool:
        """Whether it is certain enough to propose a trim."""
        return self.clear and self.confidence >= 0.9

    @property
    def reason(self) -> str:
        """The imbalance in words."""
        drums = f"{self.n_drums} drums" if self.n_drums != 1 else "one drum alone"
        return f"{abs(self.db):.1f} dB louder than the distances explain, measured on {drums}"


def told_alone(survey: Survey) -> list[Advice]:
    """Advice about each file by itself."""
    found = [
        Advice(channel.name, about, f"{channel.name}: {text}")
        for channel in survey.material.channels
        for about, text in _told_of_channel(survey, channel)
    ]
    return found + _doubled(survey) + _lengths(survey) + _copies(survey)


def _told_of_channel(survey: Survey, channel: Channel) -> Iterator[tuple[About, str]]:
    """Faults of one channel by itself, each with its sentence without the name."""
    file, index = survey.sides[channel.name]
    one, m = file.channels[index], file.measured
    if one.peak == 0.0:
        yield About.SILENCE, "the file is silent"
        return
    yield from _told_of_tops(one, m, first_side=channel.side in (None, 0))
    if one.dc_dbfs > LOUD_DC_DBFS:
        yield About.DC, f"DC offset of {one.dc_dbfs:.1f} dBFS; `dc_block` or a low cut removes it"
    if one.hum is not None:
        lines = [
            f"{one.hum.mains_hz * (k + 1):.0f} Hz {level:.0f}"
            for k, level in enumerate(one.hum.levels_dbfs)
            if level is not None
        ]
        yield About.HUM, f"mains hum of {one.hum.mains_hz:.0f} Hz: {', '.join(lines)} dBFS; `hum` removes it"
    if one.dropouts_at_s:
        times = ", ".join(f"{at:.2f}" for at in one.dropouts_at_s[:3])
        many = f"{one.dropouts} stretches" if one.dropouts > 1 else "a stretch"
        yield About.DROPOUT, f"{many} of exact zeros inside the sound, at {times} s: dropouts, or the effect of a gate"
    if one.bandwidth_hz is not None:
        yield (
            About.BANDWIDTH,
            f"nothing above {one.bandwidth_hz / 1000:.1f} kHz: a low-pass filter, perhaps of a lossy format",
        )
    if m.rate_hz != survey.material.rate_hz and channel.side in (None, 0):
        yield (
            About.RATE,
            f"recorded at {m.rate_hz} Hz, the session is at {survey.material.rate_hz} Hz; it will be converted",
        )


def _told_of_tops(one: Alone, m: Measured, *, first_side: bool) -> Iterator[tuple[About, str]]:
    """Faults seen in a wave's peaks: clipped in the file, clipped before it, or hot."""
    if one.clipped_runs:
        apart = list(dict.fromkeys(f"{at:.1f}" for at in one.clipped_at_s))
        times, more = ", ".join(apart[:3]), " …" if one.clipped_runs > 3 else ""
        yield (
            About.CLIPPED,
            f"clipped: {one.clipped_runs} runs of at least 3 frames at full scale, the longest "
            f"{one.clipped_longest / m.rate_hz * 1000:.2f} ms (at {times}{more} s); `declip` repairs short ones",
        )
    elif one.flat_level_dbfs is not None:
        yield (
            About.FLAT_TOPS,
            f"flat tops at {one.flat_level_dbfs:.1f} dBFS in {one.flat_runs} runs: clipped before the converter, "
            "for example without a pad",
        )
    elif m.true_peak_dbtp is not None and m.true_peak_dbtp > HOT_DBTP and first_side:
        yield About.HOT, f"hot: true peak {m.true_peak_dbtp:+.1f} dBTP; no clipping found"


def _doubled(survey: Survey) -> list[Advice]:
    """Advice about stereo files with identical channels, in one sentence for all."""
    names = [channel.stem for channel in survey.material.channels if channel.doubled]
    if not names:
        return []
    shown = ", ".join(names[:8]) + (f" and {len(names) - 8} more" if len(names) > 8 else "")
    what = "one file has" if len(names) == 1 else f"{len(names)} files have"
    text = f"{what} the same in both channels; one channel is used: {shown}"
    return [Advice(names[0], About.MONO, text)]


def _lengths(survey: Survey) -> list[Advice]:
    """Advice about files whose length differs from most, and files that begin with silence."""
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
            text = f"{stem}: silent before {one.begin_silence_s:.1f} s; if its begin was cut, set at_s"
            found.append(Advice(stem, About.LATE, text, 0.7))
    return found


def _copies(survey: Survey) -> list[Advice]:
    found = []
    for name, other, flipped in survey.copies:
        if flipped:
            text = f"{name}: the samples of {other} with inverted polarity; the two cancel"
            found.append(Advice(name, About.FLIPPED_COPY, text))
        else:
            found.append(Advice(name, About.COPY, f"{name}: identical samples to {other}"))
    return found


def turned(group: GroupSurvey) -> tuple[list[Turned], bool]:
    """Microphones whose polarity should be inverted, and whether the reference is the odd one out.

    A drum's second microphone is compared with its first, and the first ones with the reference. If most of them
    disagree with the reference, it is the reference that is inverted.
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
    """All channels whose polarity should be inverted, with reasons."""
    found = {}
    for group in survey.groups:
        turns, odd = turned(group)
        if odd and group.reference is not None:
            found[group.reference] = "most close microphones are inverted against it"
        found |= {turn.by.channel: turn.reason for turn in turns}
    for one in survey.lines:
        if one.confidence >= SURE and one.inverted:
            found[one.channel] = f"inverted against {one.reference}"
    return found


def of_hits(one: Arrived) -> str:
    """Number of hits that agree: `38 of 40 hits`."""
    if one.n_hits:
        return f"{round(one.confidence * one.n_hits)} of {one.n_hits} hits"
    return f"{one.confidence:.0%} of the windows"


def metres(one: Arrived, rate_hz: int) -> str:
    """A delay in ms, metres and samples, as later or earlier than the reference."""
    seconds = abs(one.delay_frames) / rate_hz
    word = "after" if one.delay_frames > 0 else "before"
    return (
        f"{seconds * 1000:.2f} ms ({seconds * SPEED_OF_SOUND:.2f} m, {abs(one.delay_frames):.1f} samples) "
        f"{word} {one.reference}"
    )


def told_between(survey: Survey) -> list[Advice]:
    """Advice from comparing the microphones of each group."""
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
        found.append(Advice(clock.channel, About.CLOCK, text))
    for drum in group.drums:
        if not drum.is_first:
            text = f"{drum.microphones[0]}: unsure whether its own drum is hit: its hits arrive earlier elsewhere"
            found.append(Advice(drum.microphones[0], About.UNSURE, text))
    found += _told_pairs(group) + _told_bleed(group)
    for pair in group.adding:
        if pair.before_db < -1.0 and pair.after_db > pair.before_db + 1.0:
            comb = f", first notch of the comb at {pair.first_notch_hz:.0f} Hz" if pair.first_notch_hz else ""
            text = (
                f"{pair.channel} with {pair.other}: adding them loses {-pair.before_db:.1f} dB below 300 Hz against "
                f"the sum of their powers{comb}; aligned it would be {pair.after_db:+.1f} dB"
            )
            found.append(Advice(pair.channel, About.ADDING, text))
    return found


def _told_turns(group: GroupSurvey) -> list[Advice]:
    """Advice about microphones with inverted polarity."""
    found: list[Advice] = []
    turns, odd = turned(group)
    if odd:
        text = f"{group.reference}: most close microphones are inverted against it: it is the one to invert"
        found.append(Advice(str(group.reference), About.POLARITY, text))
    for turn in turns:
        text = f"{turn.by.channel}: {turn.reason}"
        found.append(Advice(turn.by.channel, About.POLARITY, text, turn.by.confidence))
    return found


def _told_arrivals(group: GroupSurvey, rate_hz: int) -> list[Advice]:
    """Advice about arrival times against the reference, certain or not."""
    found: list[Advice] = []
    for one in group.arrivals:
        if one.confidence < PERHAPS:
            continue
        if not one.sure:
            text = f"{one.channel}: perhaps {metres(one, rate_hz)}; only {of_hits(one)} of {one.drum} agree"
            found.append(Advice(one.channel, About.UNSURE, text, one.confidence))
        else:
            text = f"{one.channel}: {metres(one, rate_hz)}, measured on {one.drum} ({of_hits(one)})"
            found.append(Advice(one.channel, About.ARRIVAL, text, one.confidence))
    return found


def imbalance(group: GroupSurvey, stem: str) -> Imbalance | None:
    """The imbalance of a pair of microphones; None if no drum shows it."""
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
                f"(spread {told.spread_db:.1f} dB; assumes 1/distance and equal microphones)"
            )
            text += "" if told.sure else "; unsure, and no trim is proposed"
            found.append(Advice(stem, About.IMBALANCE if told.sure else About.UNSURE, text, told.confidence))
        for seat in seats:
            if seat.likeness < ALIKE:
                continue
            if not seat.agrees or seat.confidence < PERHAPS:
                why = "level and arrival indicate different sides" if not seat.agrees else "its hits disagree"
                text = f"{stem}: place of {seat.drum} unsure: {why}"
                found.append(Advice(stem, About.UNSURE, text, 0.4))
                continue
            earlier = "left" if seat.delay_ms > 0 else "right"
            louder = "right" if seat.level_db > 0 else "left"
            level = f"{abs(seat.level_db):.1f} dB louder on the {louder}"
            level = level if abs(seat.level_db) >= 0.05 else "equally loud on both sides"
            text = f"{stem}: {seat.drum} arrives {abs(seat.delay_ms):.2f} ms earlier on the {earlier}, and is {level}"
            found.append(Advice(stem, About.IMAGE, text, seat.likeness))
    return found


def _told_bleed(group: GroupSurvey) -> list[Advice]:
    """Advice by the 3:1 rule: three times the distance is 9.5 dB quieter. Gains cancel, as both directions count."""
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
                    f"{drum.microphones[0]} and {other.microphones[0]}: bleed of each other's drums is {-mean:.1f} dB "
                    "below their own; the 3:1 rule asks for 9.5 dB, so gate them, or move the microphones"
                )
                found.append(Advice(drum.microphones[0], About.BLEED, text, 0.7))
    return found


def advice(survey: Survey) -> list[Advice]:
    """All advice: faults first, then information."""
    everything = told_alone(survey) + told_between(survey)
    return sorted(everything, key=lambda one: TO_KNOW.index(one.about) + 1 if one.about.to_know else 0)
