"""Sounds for pages: cut, matched in loudness, as FLAC and MP3."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from chainrun.audiofile import Reader, Writer
from chainrun.comparison.sounds import AlignedStream, rate_of
from chainrun.dsp.arrays import Array
from chainrun.dsp.resample import Resampler
from chainrun.loudness import Meter
from chainrun.report.content import Player, Players
from chainrun.units import db_to_gain

LOUD_LUFS = -20.0
"""Matched sounds get this loudness, if their peaks allow it."""
MAX_DBTP = -1.0
MAX_GAIN_DB = 40.0
MP3_RATE_HZ = 48_000
FADE_S = 0.01
QUALITY_PCT = 70.0


@dataclass(frozen=True)
class Clip:
    """A short sound, shape (n_channels, n_frames)."""

    label: str
    x: Array
    about: str = ""


def loudness_and_peak(x: Array, rate_hz: int) -> tuple[float, float]:
    """LUFS (minus infinity below 400 ms) and dBTP; mono counts as two equal channels."""
    meter = Meter(rate_hz, 2)
    meter.feed(x if x.shape[0] == 2 else np.concatenate([x, x]))
    found = meter.result()
    return found.integrated_lufs, found.true_peak_dbtp if found.true_peak_dbtp is not None else found.sample_peak_dbfs


def matched_gains(sounds: Sequence[tuple[float, float]]) -> list[float]:
    """Gains in dB that give all sounds one loudness: the highest that all peaks allow, up to -20 LUFS."""
    audible = [(lufs, peak) for lufs, peak in sounds if np.isfinite(lufs)]
    common = min(
        [LOUD_LUFS, *(lufs + MAX_DBTP - peak for lufs, peak in audible), *(lufs + MAX_GAIN_DB for lufs, _ in audible)]
    )
    return [common - lufs if np.isfinite(lufs) else 0.0 for lufs, _ in sounds]


def faded(x: Array, rate_hz: int) -> Array:
    """A cut sound with short fades at both ends."""
    n = min(x.shape[1] // 2, int(FADE_S * rate_hz))
    y = x.copy()
    if n:
        ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(n) / n)
        y[:, :n] *= ramp
        y[:, -n:] *= ramp[::-1]
    return y


def matched(title: str, clips: Sequence[Clip], rate_hz: int, folder: Path, name: str) -> Players:
    """Players of clips at one loudness; each shows its true loudness."""
    return Players(title, written(clips, rate_hz, folder, name))


def written(clips: Sequence[Clip], rate_hz: int, folder: Path, name: str) -> list[Player]:
    """Clips at one loudness, each written once: any two of them can be compared."""
    levels = [loudness_and_peak(clip.x, rate_hz) for clip in clips]
    players = []
    for k, (clip, (lufs, _), gain) in enumerate(zip(clips, levels, matched_gains(levels), strict=True)):
        true = (
            f"true loudness {lufs:.1f} LUFS, played at {gain:+.1f} dB" if np.isfinite(lufs) else "too quiet to measure"
        )
        files = write_clip(faded(clip.x, rate_hz) * db_to_gain(gain), rate_hz, folder, f"{name}-{k}")
        players.append(Player(clip.label, files, f"{clip.about}; {true}" if clip.about else true))
    return players


def write_clip(x: Array, rate_hz: int, folder: Path, name: str) -> list[Path]:
    """A sound as FLAC and as MP3. Raises ResourceError."""
    folder.mkdir(parents=True, exist_ok=True)
    low = x
    if rate_hz > MP3_RATE_HZ:
        low = Resampler(rate_hz, MP3_RATE_HZ, x.shape[0]).run(np.ascontiguousarray(x), last=True)
    found = []
    for ending, sound, rate in ((".flac", x, rate_hz), (".mp3", low, min(rate_hz, MP3_RATE_HZ))):
        path = folder / f"{name}{ending}"
        with Writer(path, rate, sound.shape[0], sound.shape[1], bits=16, quality_pct=QUALITY_PCT) as writer:
            writer.write(np.ascontiguousarray(sound))
            writer.finish()
        found.append(path)
    return found


def both(a: Path, b: Path, late_frames: float, gain_db: float, *, folder: Path, name: str) -> list[list[Path]]:
    """Two files as FLAC and MP3: the second aligned with the first and at its loudness, both below -1 dBTP."""
    rate = rate_of(a)
    tops = []
    for path, late, gain in ((a, 0.0, 0.0), (b, -late_frames, gain_db)):
        with closing(AlignedStream(path, rate, late, gain)) as stream:
            tops.append(_top(stream))
    down = min(0.0, *(MAX_DBTP - top for top in tops))
    folder.mkdir(parents=True, exist_ok=True)
    found = []
    for word, path, late, gain in (("a", a, 0.0, down), ("b", b, -late_frames, gain_db + down)):
        files = []
        for ending in (".flac", ".mp3"):
            target = folder / f"{name}-{word}{ending}"
            with closing(AlignedStream(path, rate, late, gain)) as stream:
                _copy(stream, target, rate)
            files.append(target)
        found.append(files)
    return found


def _top(stream: AlignedStream) -> float:
    meter = Meter(1 << 16, 2)  # its peak alone is read, which does not depend on the rate
    for x in _blocks(stream):
        meter.feed(x)
    top = meter.result().true_peak_dbtp
    return top if top is not None else 0.0


def _blocks(stream: AlignedStream) -> Iterator[Array]:
    for at in range(0, stream.n_frames, 1 << 16):
        yield stream.read(min(1 << 16, stream.n_frames - at))


def _copy(stream: AlignedStream, target: Path, rate_hz: int) -> None:
    converter, rate = None, rate_hz
    if target.suffix == ".mp3" and rate_hz > MP3_RATE_HZ:
        converter, rate = Resampler(rate_hz, MP3_RATE_HZ, 2), MP3_RATE_HZ
    with Writer(target, rate, 2, stream.n_frames, quality_pct=QUALITY_PCT) as writer:
        for x in _blocks(stream):
            writer.write(converter.run(np.ascontiguousarray(x)) if converter is not None else x)
        if converter is not None:
            writer.write(converter.run(np.zeros((2, 0)), last=True))
        writer.finish()


def as_mp3(source: Path, target: Path) -> Path:
    """A file as MP3 beside a page. Raises ResourceError."""
    target.parent.mkdir(parents=True, exist_ok=True)
    with Reader(source) as reader:
        channels = reader.header.n_channels
    if channels == 2:
        _copy(AlignedStream(source, rate_of(source)), target, rate_of(source))
        return target
    with Reader(source) as reader:
        x = reader.read(reader.n_frames)
        rate = reader.header.rate_hz
    low = Resampler(rate, MP3_RATE_HZ, 1).run(x[:1], last=True) if rate > MP3_RATE_HZ else x[:1]
    with Writer(target, min(rate, MP3_RATE_HZ), 1, low.shape[1], quality_pct=QUALITY_PCT) as writer:
        writer.write(np.ascontiguousarray(low))
        writer.finish()
    return target
