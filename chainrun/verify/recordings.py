"""What a baseline holds of each stem's recording, and how another one differs from it, in words.

A recording is held by the sums of its samples against waves of fixed frequencies (the Fourier transform at a few
places: a shift turns their phases in proportion to frequency, a flip turns all by half, a gain scales all), and by
level and peak over time, by which a click or a gap is found.
"""

from __future__ import annotations

import base64
import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from chainrun.audiofile import Reader
from chainrun.dsp.arrays import Array
from chainrun.recipe import Opened

FREQS_HZ = 41.0 * 2.0 ** (np.arange(24) / 3.0)
"""Third octaves from 41 Hz to 8.3 kHz, at odd places."""
BLOCK = 4096
MAX_STEPS = 600
SILENT_DB = -200.0
FARTHEST_S = 2.0
"""Shifts up to this are found."""
ALIKE = 0.9995
"""Correlation of the waves from which on nothing but gain, polarity and time differ."""
NEARLY = 0.9
"""The same from which on it is the same recording but for some places."""


@dataclass(frozen=True)
class Recording:
    """A stem's channels: sums against waves, shape (n_channels, 24); level and peak in dB of each step."""

    rate_hz: int
    n_frames: int
    step_s: int
    waves: Array
    levels_db: Array
    peaks_db: Array


def recordings(opened: Opened) -> dict[str, Any]:
    """Every stem's recording, as plain data."""
    return {name: _recording(opened, name) for name in opened.recipe.stems}


def _recording(opened: Opened, stem: str) -> dict[str, Any]:
    waves: list[str] = []
    levels: list[str] = []
    peaks: list[str] = []
    rate = frames = step_s = 1
    for path in opened.stem_files(stem):
        with Reader(path) as reader:
            rate, frames = reader.header.rate_hz, reader.header.n_frames
            step_s = max(1, -(-frames // (rate * MAX_STEPS)))
            sums, energy, peak = _heard(reader, step_s * rate)
        for channel in range(sums.shape[0]):
            waves.append(base64.b64encode(np.ascontiguousarray(sums[channel]).astype("<c8").tobytes()).decode())
            levels.append(" ".join(f"{_db(one) / 2.0:.1f}" for one in energy[channel]))
            peaks.append(" ".join(f"{_db(one):.1f}" for one in peak[channel]))
    return {
        "rate_hz": rate, "n_frames": frames, "step_s": step_s, "waves": waves, "levels_db": levels, "peaks_db": peaks,
    }  # fmt: skip


def _heard(reader: Reader, step: int) -> tuple[Array, Array, Array]:
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


def recording_of(facts: dict[str, Any]) -> Recording:
    """A recording from its plain data. Raises ValueError."""
    waves = [np.frombuffer(base64.b64decode(one, validate=True), dtype="<c8") for one in facts["waves"]]
    if any(one.size != FREQS_HZ.size for one in waves):
        raise ValueError("a line of waves has not one for each frequency")
    levels, peaks = (np.array([[float(w) for w in one.split()] for one in facts[k]]) for k in ("levels_db", "peaks_db"))
    if levels.shape != peaks.shape or not np.isfinite([levels, peaks]).all() or not np.isfinite(waves).all():
        raise ValueError("levels and peaks do not fit together")
    return Recording(
        facts["rate_hz"], facts["n_frames"], facts["step_s"], np.array(waves).astype(complex), levels, peaks
    )


def differences(was: Recording, now: Recording) -> list[str]:
    """How a recording differs from what it was, in words; one sentence where nothing is known to be the same."""
    told = []
    if was.rate_hz != now.rate_hz:
        return [f"another rate: {was.rate_hz} then, {now.rate_hz} Hz now"]
    if len(was.waves) != len(now.waves):
        return [f"another number of channels: {len(was.waves)} then, {len(now.waves)} now"]
    if was.n_frames != now.n_frames:
        more = now.n_frames - was.n_frames
        told.append(f"{'longer' if more > 0 else 'shorter'} by {abs(more)} frames")
    waves = now.waves
    if len(waves) == 2 and _swapped(was, now):
        told.append("left and right are swapped")
        waves = waves[::-1]
        now = Recording(now.rate_hz, now.n_frames, now.step_s, waves, now.levels_db[::-1], now.peaks_db[::-1])
    fits = [_fit(a, b, was.rate_hz) for a, b in zip(was.waves, waves, strict=True)]
    for side, (gain, shift, alike) in zip(_names(len(fits)), fits, strict=True):
        if alike < NEARLY:
            told.append(f"{side}another recording")
            continue
        if gain < 0.0:
            told.append(f"{side}polarity inverted")
        level = 20.0 * math.log10(abs(gain))
        if alike >= ALIKE and abs(level) >= 0.02:
            told.append(f"{side}{level:+.2f} dB")
        if abs(shift) >= 0.05:
            told.append(f"{side}{abs(shift):g} samples {'later' if shift > 0 else 'earlier'}")
    if all(alike >= NEARLY and abs(shift) < 0.05 for _, shift, alike in fits):
        told += _places(was, now, [20.0 * math.log10(abs(gain)) if one >= ALIKE else 0.0 for gain, _, one in fits])
    # What is told of both sides alike is told once.
    return _merged(told) or ["other samples; no level, polarity, time or place tells how"]


def _names(n: int) -> list[str]:
    return [""] if n == 1 else ["left: ", "right: "] if n == 2 else [f"channel {i + 1}: " for i in range(n)]


def _merged(told: list[str]) -> list[str]:
    both = {one.removeprefix("left: ") for one in told} & {one.removeprefix("right: ") for one in told}
    both &= {one.removeprefix("left: ") for one in told if one.startswith("left: ")}
    both &= {one.removeprefix("right: ") for one in told if one.startswith("right: ")}
    found = [one for one in told if one.removeprefix("left: ").removeprefix("right: ") not in both]
    return [*found, *sorted(both)]


def _correlation(a: Array, b: Array) -> float:
    scale = math.sqrt(float((np.abs(a) ** 2).sum() * (np.abs(b) ** 2).sum()))
    return float(np.abs((np.conj(a) * b).sum())) / scale if scale > 0.0 else 0.0


def _swapped(was: Recording, now: Recording) -> bool:
    (a, b), (c, d) = was.waves, now.waves
    straight = min(_fit(a, c, was.rate_hz)[2], _fit(b, d, was.rate_hz)[2])
    crossed = min(_fit(a, d, was.rate_hz)[2], _fit(b, c, was.rate_hz)[2])
    return crossed >= ALIKE and straight < crossed - 1e-3


def _fit(a: Array, b: Array, rate_hz: int) -> tuple[float, float, float]:
    """Gain (negative: inverted), shift in samples, and correlation of what is left alike."""
    energy_a, energy_b = float((np.abs(a) ** 2).sum()), float((np.abs(b) ** 2).sum())
    if energy_a <= 0.0 or energy_b <= 0.0:
        return 1.0, 0.0, 1.0 if energy_a == energy_b else 0.0
    product = np.conj(a) * b

    def match(shifts: Array) -> Array:
        turned: Array = np.real(np.exp(2j * np.pi * np.multiply.outer(shifts, FREQS_HZ) / rate_hz) @ product)
        return turned

    norm = math.sqrt(energy_a * energy_b)
    here = float(match(np.zeros(1))[0])
    if abs(here) >= ALIKE * norm:
        return here / energy_a, 0.0, abs(here) / norm
    most = int(FARTHEST_S * rate_hz)
    shifts: Array = np.arange(-most, most + 1).astype(np.float64)
    found = np.concatenate([np.abs(match(part)) for part in np.array_split(shifts, 64)])
    shift = float(shifts[int(found.argmax())])
    fine = np.asarray(shift + np.arange(-20, 21) * 0.05, dtype=np.float64)
    values = np.abs(match(fine))
    if float(values.max()) > (1.0 + 1e-7) * float(found.max()):
        shift = float(fine[int(values.argmax())])
    there = float(match(np.array([shift]))[0])
    if abs(there) < ALIKE * norm and abs(here) >= NEARLY * norm:
        return here / energy_a, 0.0, abs(here) / norm  # in its place, and other at some places
    return there / energy_a, round(shift, 2), abs(there) / norm


def _places(was: Recording, now: Recording, gains_db: list[float]) -> list[str]:
    """Steps in which level or peak are not as they were: a click, a gap."""
    from chainrun.comparison.verdict import clock

    n = min(was.levels_db.shape[1], now.levels_db.shape[1])
    shift = np.array(gains_db)[:, None]
    level = (now.levels_db[:, :n] - was.levels_db[:, :n] - shift) * (was.levels_db[:, :n] > -90.0)
    peak = now.peaks_db[:, :n] - was.peaks_db[:, :n] - shift
    found = []
    for k in np.flatnonzero(np.abs(peak).max(axis=0) > 0.15)[:3].tolist():
        rise = float(peak[:, k].max())
        if rise > 0.15:
            found.append(f"a click near {clock(k * was.step_s)} (peak {rise:+.1f} dB)")
    gone = np.flatnonzero(level.min(axis=0) < -0.15)
    if gone.size:
        first, last = int(gone[0]), int(gone[-1]) + 1
        found.append(
            f"quieter by up to {-float(level.min()):.1f} dB between {clock(first * was.step_s)} and "
            f"{clock(last * was.step_s)}: a gap?"
        )
    return found
