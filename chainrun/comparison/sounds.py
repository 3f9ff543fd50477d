"""Reads two audio files aligned and matched, block by block, and finds their offset."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.signal import oaconvolve

from chainrun.audiofile import Reader, read_header
from chainrun.dsp.arrays import Array
from chainrun.dsp.fractional_delay import sinc_taps, split_delay
from chainrun.dsp.resample import Resampler
from chainrun.loudness import Measured
from chainrun.loudness.analysis import Analysis
from chainrun.units import db_to_gain

Complex = NDArray[np.complex128]
LONG_HALF_TAPS = 512
"""Half the length of the fractional-delay filter. It passes up to 0.98 of the Nyquist frequency; its loss above that
counts as a difference."""
LOOK_S = 40.0
"""Length of the stretch that is correlated: the loudest one, then, if that finds nothing, the begin and the end."""
MAX_S = 2.0
"""Maximum offset that is searched."""
TRIED = 4000
"""Number of candidate offsets, taken in the order of their correlation."""
SAME = 0.5
"""Minimum normalised correlation at which two sounds are aligned."""


@dataclass(frozen=True)
class Sound:
    """An audio file and its measurements."""

    path: Path
    measured: Measured
    powers: tuple[float, ...]
    """K-weighted power of each 400 ms block, ten a second."""


def measure(path: Path) -> Sound:
    """Measure a whole file. Raises AudioError."""
    with Reader(path) as reader:
        analysis = Analysis(reader.header.rate_hz, reader.header.n_channels)
        for x in reader.blocks(1 << 17):
            analysis.feed(x)
        return Sound(path, analysis.result(), tuple(analysis.block_powers().tolist()))


class AlignedStream:
    """A file read as two channels at a given rate, with a delay (`late_frames`, negative: earlier) and a gain."""

    def __init__(
        self, path: Path, rate_hz: int, late_frames: float = 0.0, gain_db: float = 0.0, *, from_s: float = 0.0
    ):
        header = read_header(path)
        self._reader = Reader(path, from_frame=int(from_s * header.rate_hz))
        self._converter = None
        if header.rate_hz != rate_hz:
            self._converter = Resampler(header.rate_hz, rate_hz, 2)
        self.n_frames = -(-self._reader.n_frames * rate_hz // header.rate_hz)
        self._gain = db_to_gain(gain_db)
        whole, fraction = split_delay(late_frames)
        self._taps = sinc_taps(fraction, LONG_HALF_TAPS) if fraction else None
        early = LONG_HALF_TAPS - 1 if self._taps is not None else 0
        self._history = np.zeros((2, 2 * LONG_HALF_TAPS - 1))
        begin = whole - early
        self._ready = np.zeros((2, max(0, begin)))
        self._drop = max(0, -begin)
        self._ended = False

    def read(self, n_frames: int) -> Array:
        """The next frames, shape (2, n_frames); silence after the end."""
        while self._ready.shape[1] < n_frames and not self._ended:
            x = self._reader.read(1 << 16)
            self._ended = x.shape[1] < 1 << 16
            x = x[:2] if x.shape[0] > 1 else np.concatenate([x, x])
            if self._converter is not None:
                x = self._converter.run(np.ascontiguousarray(x), last=self._ended)
            if self._taps is not None:
                if self._ended:
                    x = np.concatenate([x, np.zeros((2, 2 * LONG_HALF_TAPS - 1))], axis=1)
                joined = np.concatenate([self._history, x], axis=1)
                self._history = joined[:, joined.shape[1] - self._history.shape[1] :].copy()
                x = oaconvolve(joined, self._taps[np.newaxis], mode="valid", axes=1)
            dropped = min(self._drop, x.shape[1])
            self._drop -= dropped
            self._ready = np.concatenate([self._ready, x[:, dropped:] * self._gain], axis=1)
        out = self._ready[:, :n_frames]
        self._ready = self._ready[:, n_frames:]
        if out.shape[1] < n_frames:
            out = np.concatenate([out, np.zeros((2, n_frames - out.shape[1]))], axis=1)
        return out

    def close(self) -> None:
        """Close the file."""
        self._reader.close()


def offset_frames(one: Sound, other: Sound, rate_hz: int) -> float | None:
    """The delay in frames of the same sound in the other file, of either polarity; None if it has another sound."""
    for from_s in _stretches(one):
        found = _offset_from(one.path, other.path, rate_hz, from_s)
        if found is not None:
            return found
    return None


def _stretches(sound: Sound) -> list[float]:
    """Start times in whole seconds of the stretches to correlate."""
    last = max(0, math.ceil(sound.measured.n_frames / sound.measured.rate_hz - LOOK_S))
    sums = np.concatenate([[0.0], np.cumsum(sound.powers)])
    span = int(10 * LOOK_S)
    loud = np.array(
        [sums[min(10 * s + span, sums.size - 1)] - sums[min(10 * s, sums.size - 1)] for s in range(last + 1)]
    )
    return list(dict.fromkeys([float(loud.argmax()), 0.0, float(last)]))


def _offset_from(one: Path, other: Path, rate_hz: int, from_s: float) -> float | None:
    """The offset found in the stretch from `from_s`; None if the two have nothing in common there."""
    n = int(LOOK_S * rate_hz)
    sounds = []
    for path in (one, other):
        header = read_header(path)
        if from_s * header.rate_hz >= header.n_frames:
            return None
        with closing(AlignedStream(path, rate_hz, from_s=from_s)) as stream:
            x = stream.read(min(n, stream.n_frames))
        sounds.append(x.sum(axis=0) - 0.37 * x[1])  # both sides, but not so that a side channel would vanish
    size = 1 << (2 * max(x.size for x in sounds) - 1).bit_length()
    a, b = (np.fft.rfft(x, size) for x in sounds)
    energy = math.sqrt(float(sounds[0] @ sounds[0]) * float(sounds[1] @ sounds[1]))
    if energy <= 0.0:
        return None
    found = np.fft.irfft(np.conj(a) * b, size)
    max_frames = min(int(MAX_S * rate_hz), size // 2 - 1)
    near = np.concatenate([found[-max_frames:], found[: max_frames + 1]])
    at, like = _best(sounds[0], sounds[1], near, max_frames)
    if like < SAME:
        return None
    place = float(at - max_frames)
    if 0 < at < near.size - 1:
        place += _between(a, b * math.copysign(1.0, float(near[at])), at - max_frames, size)
    return float(round(place)) if abs(place - round(place)) < 0.001 else place


def _best(one: Array, other: Array, near: Array, max_frames: int) -> tuple[int, float]:
    """The offset (as an index into `near`) with the highest normalised correlation of the overlap, and that value.

    A short excerpt of rhythmic music fits in part at many offsets; it fits completely at the right one alone.
    """
    sums = [np.concatenate([[0.0], np.cumsum(x * x)]) for x in (one, other)]
    order = np.argsort(np.abs(near))[::-1]
    tried: list[int] = [max_frames]  # offset 0 is always tried, and wins a tie
    for place in order[:TRIED]:
        if all(abs(int(place) - other_place) > 8 for other_place in tried[1:]):
            tried.append(int(place))
    best = (max_frames, 0.0)
    for place in tried:
        late = place - max_frames
        begin, end = max(0, -late), min(one.size, other.size - late)
        if end <= begin:
            continue
        a = float(sums[0][end] - sums[0][begin])
        b = float(sums[1][end + late] - sums[1][begin + late])
        share = min(1.0, (end - begin) / max(1, min(one.size, other.size)))
        like = abs(float(near[place])) / math.sqrt(a * b) if a > 0.0 and b > 0.0 else 0.0
        if share > 0.3 and like > best[1] * 1.0001:
            best = (place, like)
    return best


def _between(a: Complex, b: Complex, whole: int, size: int) -> float:
    """The fraction of a frame to add to a whole offset, from the phase of the cross-spectrum against frequency."""
    k = np.arange(a.size)
    cross = np.conj(a) * b * np.exp(2j * np.pi * k * whole / size)
    weight = np.abs(cross)
    w = 2.0 * np.pi * k / size
    low = k < 0.4 * size
    fine = -float(np.sum((weight * w * np.angle(cross))[low]) / max(1e-30, float(np.sum((weight * w * w)[low]))))
    return fine if abs(fine) < 1.0 else 0.0


def blocks(one: AlignedStream, other: AlignedStream, n_frames: int, size: int) -> Iterator[tuple[Array, Array]]:
    """Both streams in blocks of `size` frames."""
    for at in range(0, n_frames, size):
        n = min(size, n_frames - at)
        yield one.read(n), other.read(n)


def rate_of(path: Path) -> int:
    """The sample rate of a file in Hz."""
    return read_header(path).rate_hz
