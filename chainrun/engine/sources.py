"""Inputs of a node: a stem's files, a sum of prints, or a key; all in session time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Protocol

import numpy as np

from chainrun.audiofile import BLOCK_FRAMES, Reader
from chainrun.dsp.arrays import Array, silence
from chainrun.dsp.fractional_delay import HALF_TAPS, fir, sinc_taps, split_delay
from chainrun.dsp.pan import balance_gains, pan_gains, ride_gain, stretches_gain
from chainrun.dsp.resample import Resampler
from chainrun.plan import Input, KeyInput, StemInput
from chainrun.plan.nodes import FilePart
from chainrun.store.prints import Print, PrintSource
from chainrun.units import db_to_gain, gain_to_db, s_to_frames

AUDIBLE_PEAK = 10.0 ** (-90.0 / 20.0)
"""Sound dropped before time 0 is reported if its peak is above this."""


class SignalSource(Protocol):
    """Signal that can be read once, in consecutive blocks."""

    n_channels: int
    n_frames: int

    def read(self, n_frames: int) -> Array:
        """Read the next block, shape (n_channels, n_frames); silence after the end."""
        ...

    def close(self) -> None:
        """Close files."""
        ...


class _Lane:
    """Converts one channel of a stem to session time: trim, polarity, shift, start."""

    def __init__(self, part: FilePart, start_frame: int):
        whole, fraction = split_delay(part.shift_frames)
        self._gain = db_to_gain(part.trim_db) * (-1.0 if part.invert else 1.0)
        self._taps = sinc_taps(fraction) if fraction else None
        self._history = np.zeros((1, 2 * HALF_TAPS - 1))
        early = HALF_TAPS - 1 if fraction else 0
        begin = start_frame + whole - early
        self.extra = begin + (2 * HALF_TAPS - 1 if fraction else 0)
        self._silence = max(0, begin)
        self._parts: list[Array] = []
        self._drop = max(0, -begin)
        self._before = max(0, -(start_frame + whole))
        self._ready = self._silence
        self.lost_peak = 0.0

    def feed(self, x: Array) -> None:
        y = x * self._gain if self._gain != 1.0 else x
        if self._before:
            lost = y[: self._before]
            self.lost_peak = max(self.lost_peak, float(np.abs(lost).max(initial=0.0)))
            self._before -= lost.size
        if self._taps is not None:
            joined = np.concatenate([self._history, y[None, :]], axis=1)
            self._history = joined[:, joined.shape[1] - self._history.shape[1] :].copy()
            y = fir(joined, self._taps)[0]
        if self._drop:
            dropped = min(self._drop, y.size)
            self._drop -= dropped
            y = y[dropped:]
        self._parts.append(y)
        self._ready += y.size

    def flush(self) -> None:
        if self._taps is not None:
            self.feed(np.zeros(2 * HALF_TAPS - 1))

    @property
    def ready(self) -> int:
        return self._ready

    def take(self, n_frames: int) -> Array:
        if not self._silence and self._parts and self._parts[0].size == n_frames:
            self._ready -= n_frames
            return self._parts.pop(0)
        out = np.zeros(n_frames)
        at = min(self._silence, n_frames)
        self._silence -= at
        self._ready -= min(n_frames, self._ready)
        while at < n_frames and self._parts:
            part = self._parts.pop(0)
            used = min(n_frames - at, part.size)
            out[at : at + used] = part[:used]
            at += used
            if used < part.size:
                self._parts.insert(0, part[used:])
        return out


class _File:
    """Reads one file of a stem and converts it to the session's rate."""

    def __init__(self, path: str, stem: StemInput, rate_hz: int):
        begin = s_to_frames(stem.from_s, stem.file_rate_hz)
        end = s_to_frames(stem.to_s, stem.file_rate_hz) if stem.to_s is not None else None
        self.reader = Reader(Path(path), from_frame=begin, to_frame=end)
        self.converter = (
            Resampler(stem.file_rate_hz, rate_hz, self.reader.header.n_channels)
            if stem.file_rate_hz != rate_hz
            else None
        )
        self.n_frames = -(-self.reader.n_frames * rate_hz // stem.file_rate_hz)
        self._left = self.n_frames
        self.ended = False

    def read(self) -> Array:
        x = self.reader.read(BLOCK_FRAMES)
        self.ended = x.shape[1] < BLOCK_FRAMES
        if self.converter is not None:
            x = self.converter.run(x, last=self.ended)
            if self.ended and x.shape[1] < self._left:
                x = np.concatenate([x, silence(x.shape[0], self._left - x.shape[1])], axis=1)
            x = x[:, : self._left]
        self._left -= x.shape[1]
        return x


class StemSource:
    """Stem before its chain: rate converted, then trim, polarity and shift, at its time in the session.

    Reading starts at the session's frame `begin_frame`; earlier blocks are computed and dropped.
    """

    def __init__(self, stem: StemInput, rate_hz: int, begin_frame: int = 0):
        self.n_channels = stem.n_channels
        start = s_to_frames(stem.at_s, rate_hz)
        self._files = {path: _File(path, stem, rate_hz) for path in dict.fromkeys(part.path for part in stem.parts)}
        self._lanes = [_Lane(part, start) for part in stem.parts]
        self._parts = stem.parts
        self.n_frames = max(
            0,
            *(lane.extra + self._files[part.path].n_frames for lane, part in zip(self._lanes, stem.parts, strict=True)),
        )
        """Frame of the session at which it ends."""
        for at in range(0, begin_frame, BLOCK_FRAMES):
            self.read(min(BLOCK_FRAMES, begin_frame - at))

    def read(self, n_frames: int) -> Array:
        """Read the next block, shape (n_channels, n_frames)."""
        for path, file in self._files.items():
            lanes = [(lane, part) for lane, part in zip(self._lanes, self._parts, strict=True) if part.path == path]
            while not file.ended and any(lane.ready < n_frames for lane, _ in lanes):
                x = file.read()
                for lane, part in lanes:
                    lane.feed(x[part.channel or 0])
                    if file.ended:
                        lane.flush()
        taken = [lane.take(n_frames) for lane in self._lanes]
        return np.stack(taken) if len(taken) > 1 else taken[0][None]

    def notes(self, name: str) -> list[str]:
        """Notes on the files once they are read: clipped runs, and sound that was dropped before time 0."""
        found = []
        runs = sum(file.reader.clipped_runs for file in self._files.values())
        if runs:
            plural = "s" if runs > 1 else ""
            found.append(f"{name}: the file has {runs} clipped run{plural} (3 frames or more at full scale)")
        for path, file in self._files.items():
            while self.n_frames == 0 and not file.ended:  # all of it is before time 0: was it silence?
                x = file.read()
                for lane, part in zip(self._lanes, self._parts, strict=True):
                    if part.path == path:
                        lane.feed(x[part.channel or 0])
        lost = max(lane.lost_peak for lane in self._lanes)
        if lost > AUDIBLE_PEAK:
            found.append(f"{name}: the shift moved sound before time 0; dropped, peak {gain_to_db(lost):.1f} dBFS")
        return found

    def close(self) -> None:
        """Close the files."""
        for file in self._files.values():
            file.reader.close()


class SumSource:
    """Bus before its chain: prints through faders, pans, rides and sends, summed in stereo."""

    n_channels = 2

    def __init__(
        self,
        inputs: Sequence[Input],
        prints: Mapping[str, Print],
        pan_law_db: float,
        rate_hz: int,
        begin_frame: int = 0,
    ):
        self._rate = rate_hz
        self._inputs = [(one, PrintSource(prints[one.node], begin_frame), _sides(one, pan_law_db)) for one in inputs]
        self.n_frames = max((source.n_frames for _, source, _ in self._inputs), default=0)
        self._at = begin_frame

    def read(self, n_frames: int) -> Array:
        """Read the next block, shape (2, n_frames)."""
        total = silence(2, n_frames)
        scratch = np.empty(n_frames)
        for one, source, (left, right) in self._inputs:
            x = source.read(n_frames)
            if self._at >= source.n_frames:
                continue
            if one.ride and not one.before_fader:
                x *= ride_gain(list(one.ride), self._at, n_frames, self._rate)
            if one.active:
                x *= stretches_gain(list(one.active), self._at, n_frames, self._rate)
            for side, gain, channel in ((total[0], left, x[0]), (total[1], right, x[-1])):
                if gain:
                    np.multiply(channel, gain, out=scratch)
                    side += scratch
        self._at += n_frames
        return total

    def close(self) -> None:
        """Close the prints."""
        for _, source, _ in self._inputs:
            source.close()


def _sides(one: Input, pan_law_db: float) -> tuple[float, float]:
    """Left and right gain (amplitude factors) of a print in a bus."""
    pan = 0.0 if one.before_fader else one.pan_pct
    left, right = pan_gains(pan, pan_law_db) if one.n_channels == 1 else balance_gains(pan)
    level = (0.0 if one.before_fader else one.level_db) + (one.send_db or 0.0)
    gain = 0.0 if one.mute else db_to_gain(level)
    return left * gain, right * gain


class KeySource:
    """Sum of a key's sources, before fader and pan; a mono source is added to both sides of a stereo one."""

    def __init__(
        self,
        sources: Sequence[KeyInput],
        prints: Mapping[str, Print],
        pan_law_db: float,
        rate_hz: int,
        begin_frame: int = 0,
    ):
        self.n_channels = max(source.n_channels for source in sources)
        self._sources: list[SignalSource] = []
        for source in sources:
            if source.tap == "after_chain":
                self._sources.append(PrintSource(prints[source.node], begin_frame))
            elif source.stem is not None:
                self._sources.append(StemSource(source.stem, rate_hz, begin_frame))
            else:
                self._sources.append(SumSource(source.inputs, prints, pan_law_db, rate_hz, begin_frame))
        self.n_frames = max(source.n_frames for source in self._sources)

    def read(self, n_frames: int) -> Array:
        """Read the next block, shape (n_channels, n_frames)."""
        total = silence(self.n_channels, n_frames)
        for source in self._sources:
            total += source.read(n_frames)
        return total

    def close(self) -> None:
        """Close all sources."""
        for source in self._sources:
            source.close()
