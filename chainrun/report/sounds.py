"""Waveform, third octaves, loudness and image of a sound, measured and as figures."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from chainrun.audiofile import Reader
from chainrun.dsp.arrays import Array
from chainrun.engine.sources import SignalSource
from chainrun.loudness import Analysis, Measured
from chainrun.loudness.meter import OFFSET_LU
from chainrun.report.content import FREQUENCY, SAMPLE, TIME, Axis, Figure, Panel, Series, highest, thinned
from chainrun.report.steps import Wave

BLOCK = 1 << 16
MIN_LUFS = -70.0
MIN_SIDE_DB = -60.0
SHOWN_LU = 30.0
"""A drawing of loudness reaches from its maximum to this far below."""


@dataclass(frozen=True)
class DrawnSound:
    """The measurements of a sound that figures show."""

    measured: Measured
    wave: Wave
    momentary_lufs: Array
    """At each hop of 100 ms, the first at 0.4 s."""
    short_term_lufs: Array
    """At each hop of 100 ms, the first at 3 s."""
    correlation: Array
    """One value for each half second; not a number where a side is silent."""
    side_to_mid_db: dict[str, float]
    """Level of the side above that of the mid in each third octave; empty for mono."""


def blocks_of(source: SignalSource, n_frames: int) -> Iterator[Array]:
    """A source in blocks."""
    for at in range(0, n_frames, BLOCK):
        yield source.read(min(BLOCK, n_frames - at))


def file_blocks(path: Path) -> Iterator[Array]:
    """An audio file in blocks."""
    with Reader(path) as reader:
        yield from reader.blocks(BLOCK)


def hear(blocks: Iterator[Array], rate_hz: int, n_channels: int, *, every: int = 4) -> DrawnSound:
    """Measure a sound of one or two channels in one pass."""
    whole = Analysis(rate_hz, n_channels, every=every)
    sides = [Analysis(rate_hz, 1, every=every) for _ in range(2)] if n_channels == 2 else []
    hop, rest = rate_hz // 100, np.zeros((n_channels, 0))
    lows, highs, products = [], [], []
    for x in blocks:
        whole.feed(x)
        if sides:
            sides[0].feed((x[:1] + x[1:]) * 0.5)
            sides[1].feed((x[:1] - x[1:]) * 0.5)
        joined = np.concatenate([rest, x], axis=1)
        n = joined.shape[1] // hop
        rows = joined[:, : n * hop].reshape(n_channels, n, hop)
        rest = joined[:, n * hop :]
        lows.append(rows.min(axis=(0, 2)) if n else np.zeros(0))
        highs.append(rows.max(axis=(0, 2)) if n else np.zeros(0))
        if n_channels == 2:
            products.append(np.einsum("inh,jnh->nij", rows, rows))
    bands = [side.result().third_octave_db or {} for side in sides]
    return DrawnSound(
        measured=whole.result(),
        wave=Wave(np.concatenate(lows), np.concatenate(highs), rate_hz / hop),
        momentary_lufs=_lufs(whole.block_powers()),
        short_term_lufs=_lufs(whole.short_term_powers()),
        correlation=_correlation(np.concatenate(products)) if products else np.zeros(0),
        side_to_mid_db={hz: bands[1][hz] - mid for hz, mid in bands[0].items() if np.isfinite(mid)} if bands else {},
    )


def _lufs(powers: Array) -> Array:
    levels: Array = OFFSET_LU + 10.0 * np.log10(np.maximum(powers, 1e-12))
    return np.where(levels > MIN_LUFS, levels, np.nan)


def _correlation(products: Array) -> Array:
    n = products.shape[0] // 50 * 50
    summed = products[:n].reshape(-1, 50, 2, 2).sum(axis=1)
    power = np.sqrt(summed[:, 0, 0] * summed[:, 1, 1])
    return np.where(power > 1e-9, summed[:, 0, 1] / np.maximum(power, 1e-12), np.nan)


def _times(first: float, step: float, n: int) -> Array:
    times: Array = first + step * np.arange(n, dtype=np.float64)
    return times


def loudness_figure(name: str, sound: DrawnSound, target_lufs: float | None, other: DrawnSound | None = None) -> Figure:
    """Momentary and short-term loudness over time, with what they come to."""
    series = []
    for word, one in (("", sound), ("B: ", other)):
        if one is None:
            continue
        label = "A: " if other is not None else word
        label = word or label
        t = _times(0.4, 0.1, one.momentary_lufs.size)
        if other is None:
            series.append(Series("momentary", *highest(t, one.momentary_lufs), faint=True))
        t = _times(3.0, 0.1, one.short_term_lufs.size)
        if one.short_term_lufs.size:
            series.append(Series(f"{label}short-term", *thinned(t, one.short_term_lufs)))
    measured = sound.measured
    met = target_lufs is not None and abs(target_lufs - measured.integrated_lufs) < 0.05
    words = f"integrated {measured.integrated_lufs:.1f} LUFS" + (" (target)" if met else "")
    levels = [(words, measured.integrated_lufs)]
    if target_lufs is not None and not met:
        levels.append((f"target {target_lufs:g} LUFS", target_lufs))
    levels = [one for one in levels if np.isfinite(one[1])]
    short = " (short programme)" if measured.range_is_short else ""
    spread = f", loudness range {measured.range_lu:.1f} LU{short}" if measured.range_lu is not None else ""
    alt = f"Loudness over time: integrated {measured.integrated_lufs:.1f} LUFS{spread}"
    if target_lufs is not None:
        alt += f", target {target_lufs:g} LUFS"
    tops = [float(np.nanmax(one.y)) for one in series if np.isfinite(one.y).any()]
    limits = (max(tops) - SHOWN_LU, max(tops) + 3.0) if tops else None
    return Figure(name, "Loudness over time", alt, TIME, [Panel(Axis("loudness", "LUFS"), series, 1.3, limits, levels)])


def wave_figure(name: str, sound: DrawnSound) -> Figure:
    """The whole waveform."""
    x, low, high = sound.wave.between(0.0, sound.wave.high.size / sound.wave.per_second)
    alt = f"Waveform; sample peak {sound.measured.sample_peak_dbfs:.1f} dBFS"
    return Figure(name, "Waveform", alt, TIME, [Panel(SAMPLE, [Series(SAMPLE.label, x, low, high)])])


def bands_figure(name: str, title: str, sounds: list[tuple[str, dict[str, float]]]) -> Figure:
    """Third octaves of sounds in one drawing."""
    series = []
    for label, bands in sounds:
        hz = np.array([float(one) for one in bands])
        levels = np.array(list(bands.values()))
        series.append(Series(label, hz, np.where(levels > -120.0, levels, np.nan)))
    alt = "Level in third octaves: " + ", ".join(label for label, _ in sounds)
    return Figure(name, title, alt, FREQUENCY, [Panel(Axis("level", "dBFS"), series, height=1.2)], log_hz=True)


def image_figures(name: str, sound: DrawnSound) -> list[Figure]:
    """Side against mid over frequency, and correlation of left and right over time; none for mono.

    A side that is silent in all bands gets no drawing of its bands.
    """
    if not sound.side_to_mid_db:
        return []
    found = []
    hz = np.array([float(one) for one in sound.side_to_mid_db])
    sides = np.clip(np.array(list(sound.side_to_mid_db.values())), MIN_SIDE_DB, 20.0)
    if sides.max() > MIN_SIDE_DB:
        found.append(
            Figure(
                f"{name}-width",
                "Side against mid in third octaves",
                "Level of the side relative to the mid over frequency: at 0 dB both are equal",
                FREQUENCY,
                [
                    Panel(
                        Axis("side relative to mid", "dB"),
                        [Series("side relative to mid", hz, sides, bars=True)],
                        limits=(MIN_SIDE_DB, 20.0),
                    )
                ],
                log_hz=True,
            )
        )
    t = _times(0.5, 0.5, sound.correlation.size)
    x, low = highest(t, -sound.correlation)
    whole = sound.measured.correlation
    words = f"{whole:.2f} for the whole sound" if whole is not None else "none, since one side is silent"
    panel = Panel(
        Axis("correlation"),
        [Series("correlation", x, -low)],
        height=0.7,
        limits=(-1.05, 1.05),
        levels=[("below 0: a fold-down loses level", 0.0)],
    )
    title, alt = "Correlation of left and right over time", f"Correlation of left and right over time, {words}"
    return [*found, Figure(f"{name}-correlation", title, alt, TIME, [panel])]
