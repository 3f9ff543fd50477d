"""Measures stems' recordings for a baseline, and finds how another recording differs.

The facts are the recording's Fourier transform at a few fixed frequencies (a time shift turns the phases in proportion
to frequency, inverted polarity turns all by 180 degrees, a gain scales all), and level and peak over time, which show
clicks and gaps.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from chainrun.audiofile import Reader
from chainrun.dsp.arrays import Array
from chainrun.recipe import Opened
from chainrun.verify.changes import RecordingChange, RecordingChangeKind
from chainrun.verify.facts import FREQS_HZ, SILENT_DB, RecordingFacts, from_one_line, packed_waves, unpacked_waves

BLOCK = 4096
MAX_STEPS = 600
MAX_SHIFT_S = 2.0
"""Maximum time shift that is searched."""
ALIKE = 0.9995
"""Minimum correlation of the Fourier sums at which two recordings differ in gain, polarity and time alone."""
NEARLY = 0.9
"""Minimum correlation at which two recordings count as the same except at some places."""
MIN_GAIN_DB, MIN_SHIFT, MIN_PLACE_DB = 0.02, 0.05, 0.15
"""Minimum gain, shift in samples, and change at a single place that are named."""
MAX_CLICKS = 3
ONCE = (
    RecordingChangeKind.GAIN, RecordingChangeKind.SHIFTED, RecordingChangeKind.ANOTHER, RecordingChangeKind.INVERTED,
)  # fmt: skip
"""Changes that both sides may share, in the order in which they are named once for both."""


@dataclass(frozen=True)
class Recording:
    """A stem's channels: Fourier sums of shape (n_channels, 24); level and peak in dB of each time step."""

    rate_hz: int
    n_frames: int
    step_s: int
    waves: Array
    levels_db: Array
    peaks_db: Array


class Fit(NamedTuple):
    """Match of one channel to another: gain (negative: inverted), shift in samples, and the correlation after both."""

    gain: float
    shift: float
    alike: float

    @property
    def level_db(self) -> float:
        """The gain in dB, without its sign."""
        return 20.0 * math.log10(abs(self.gain))


def recordings(opened: Opened) -> dict[str, RecordingFacts]:
    """Measure every stem's recording. Raises AudioError."""
    return {name: _recording(opened, name) for name in opened.recipe.stems}


def _recording(opened: Opened, stem: str) -> RecordingFacts:
    waves: list[str] = []
    levels: list[str] = []
    peaks: list[str] = []
    rate = frames = step_s = 1
    for path in opened.stem_files(stem):
        with Reader(path) as reader:
            rate, frames = reader.header.rate_hz, reader.header.n_frames
            step_s = max(1, -(-frames // (rate * MAX_STEPS)))
            sums, energy, peak = _step_sums(reader, step_s * rate)
        for channel in range(sums.shape[0]):
            waves.append(packed_waves(sums[channel]))
            levels.append(" ".join(f"{_db(one) / 2.0:.1f}" for one in energy[channel]))
            peaks.append(" ".join(f"{_db(one):.1f}" for one in peak[channel]))
    return RecordingFacts(rate_hz=rate, n_frames=frames, step_s=step_s, waves=waves, levels_db=levels, peaks_db=peaks)


def _step_sums(reader: Reader, step: int) -> tuple[Array, Array, Array]:
    header = reader.header
    turn = np.exp(-2j * np.pi * FREQS_HZ[:, None] / header.rate_hz * np.arange(BLOCK))
    sums = np.zeros((header.n_channels, FREQS_HZ.size), dtype=complex)
    n_steps = max(1, -(-header.n_frames // step))
    energy, peak = np.zeros((2, header.n_channels, n_steps))
    at = 0
    for x in reader.blocks(BLOCK):
        n = x.shape[1]
        sums += (x @ turn[:, :n].T) * np.exp(-2j * np.pi * FREQS_HZ * (at / header.rate_hz))
        begin = 0
        while begin < n:
            k = (at + begin) // step
            end = min(n, (k + 1) * step - at)
            part = x[:, begin:end]
            energy[:, k] += (part**2).sum(axis=1) / step
            peak[:, k] = np.maximum(peak[:, k], np.abs(part).max(axis=1))
            begin = end
        at += n
    return sums, energy, peak


def _db(value: float) -> float:
    return max(SILENT_DB, 20.0 * math.log10(value)) if value > 0.0 else SILENT_DB


def recording_of(facts: RecordingFacts) -> Recording:
    """A recording from its facts."""
    waves = np.array([unpacked_waves(one) for one in facts.waves])
    levels, peaks = (np.array([from_one_line(one) for one in lines]) for lines in (facts.levels_db, facts.peaks_db))
    return Recording(facts.rate_hz, facts.n_frames, facts.step_s, waves, levels, peaks)


def recording_changes(was: Recording, now: Recording) -> tuple[RecordingChange, ...]:
    """The changes from one recording to another; a single one if they have nothing in common."""
    kinds = RecordingChangeKind
    if was.rate_hz != now.rate_hz:
        return (RecordingChange(kinds.RATE, before=was.rate_hz, after=now.rate_hz),)
    if len(was.waves) != len(now.waves):
        return (RecordingChange(kinds.CHANNELS, before=len(was.waves), after=len(now.waves)),)
    found = []
    if was.n_frames != now.n_frames:
        found.append(RecordingChange(kinds.LENGTH, amount=now.n_frames - was.n_frames))
    if len(now.waves) == 2 and _swapped(was, now):
        found.append(RecordingChange(kinds.SIDES_SWAPPED))
        now = replace(now, waves=now.waves[::-1], levels_db=now.levels_db[::-1], peaks_db=now.peaks_db[::-1])
    fits = [_fit(a, b, was.rate_hz) for a, b in zip(was.waves, now.waves, strict=True)]
    for channel, fit in enumerate(fits):
        found += _channel_changes(fit, channel if len(fits) > 1 else None, len(fits))
    if all(fit.alike >= NEARLY and abs(fit.shift) < MIN_SHIFT for fit in fits):
        found += _places(was, now, [fit.level_db if fit.alike >= ALIKE else 0.0 for fit in fits])
    return tuple(_merged(found)) or (RecordingChange(kinds.OTHER_SAMPLES),)


def _channel_changes(fit: Fit, channel: int | None, of_channels: int) -> Iterator[RecordingChange]:
    """The changes of one channel. Amounts are rounded as shown, so that equal ones of two sides can be merged."""

    def change(kind: RecordingChangeKind, amount: float = 0.0) -> RecordingChange:
        return RecordingChange(kind, channel, of_channels, amount)

    if fit.alike < NEARLY:
        yield change(RecordingChangeKind.ANOTHER)
        return
    if fit.gain < 0.0:
        yield change(RecordingChangeKind.INVERTED)
    if fit.alike >= ALIKE and abs(fit.level_db) >= MIN_GAIN_DB:
        yield change(RecordingChangeKind.GAIN, round(fit.level_db, 2))
    if abs(fit.shift) >= MIN_SHIFT:
        yield change(RecordingChangeKind.SHIFTED, fit.shift)


def _merged(found: list[RecordingChange]) -> list[RecordingChange]:
    """The changes with those that both sides share merged into one each, at the end."""
    of_both = [
        replace(one, channel=None)
        for one in found
        if one.channel == 0 and one.of_channels == 2 and replace(one, channel=1) in found
    ]
    of_one = [one for one in found if one.channel is None or replace(one, channel=None) not in of_both]
    return of_one + sorted(of_both, key=lambda one: ONCE.index(one.kind))


def _swapped(was: Recording, now: Recording) -> bool:
    (a, b), (c, d) = was.waves, now.waves
    straight = min(_fit(a, c, was.rate_hz).alike, _fit(b, d, was.rate_hz).alike)
    crossed = min(_fit(a, d, was.rate_hz).alike, _fit(b, c, was.rate_hz).alike)
    return crossed >= ALIKE and straight < crossed - 1e-3


def _fit(a: Array, b: Array, rate_hz: int) -> Fit:
    """Match the Fourier sums of `b` to those of `a`."""
    energy_a, energy_b = float((np.abs(a) ** 2).sum()), float((np.abs(b) ** 2).sum())
    if energy_a <= 0.0 or energy_b <= 0.0:
        return Fit(1.0, 0.0, 1.0 if energy_a == energy_b else 0.0)
    product = np.conj(a) * b

    def match(shifts: Array) -> Array:
        turned: Array = np.real(np.exp(2j * np.pi * np.multiply.outer(shifts, FREQS_HZ) / rate_hz) @ product)
        return turned

    norm = math.sqrt(energy_a * energy_b)
    here = float(match(np.zeros(1))[0])
    if abs(here) >= ALIKE * norm:
        return Fit(here / energy_a, 0.0, abs(here) / norm)
    farthest = int(MAX_SHIFT_S * rate_hz)
    shifts: Array = np.arange(-farthest, farthest + 1).astype(np.float64)
    found = np.concatenate([np.abs(match(part)) for part in np.array_split(shifts, 64)])
    shift = float(shifts[int(found.argmax())])
    fine = np.asarray(shift + np.arange(-20, 21) * 0.05, dtype=np.float64)
    values = np.abs(match(fine))
    if float(values.max()) > (1.0 + 1e-7) * float(found.max()):
        shift = float(fine[int(values.argmax())])
    there = float(match(np.array([shift]))[0])
    if abs(there) < ALIKE * norm and abs(here) >= NEARLY * norm:
        return Fit(here / energy_a, 0.0, abs(here) / norm)  # not shifted, but different at some places
    return Fit(there / energy_a, round(shift, 2), abs(there) / norm)


def _places(was: Recording, now: Recording, gains_db: list[float]) -> Iterator[RecordingChange]:
    """Time steps whose level or peak changed: clicks and gaps."""
    n = min(was.levels_db.shape[1], now.levels_db.shape[1])
    shift = np.array(gains_db)[:, None]
    level = (now.levels_db[:, :n] - was.levels_db[:, :n] - shift) * (was.levels_db[:, :n] > -90.0)
    peak = now.peaks_db[:, :n] - was.peaks_db[:, :n] - shift
    for k in np.flatnonzero(np.abs(peak).max(axis=0) > MIN_PLACE_DB)[:MAX_CLICKS].tolist():
        rise = float(peak[:, k].max())
        if rise > MIN_PLACE_DB:
            yield RecordingChange(RecordingChangeKind.CLICK, amount=rise, from_s=k * was.step_s)
    gone = np.flatnonzero(level.min(axis=0) < -MIN_PLACE_DB)
    if gone.size:
        first, last = int(gone[0]), int(gone[-1]) + 1
        yield RecordingChange(
            RecordingChangeKind.GAP,
            amount=-float(level.min()),
            from_s=first * was.step_s,
            to_s=last * was.step_s,
        )
