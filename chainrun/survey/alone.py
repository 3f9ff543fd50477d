"""Analyses one channel of a recording by itself: silence, clipping, dropouts, hum, bandwidth."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from chainrun.audiofile.read import CLIPPED_RUN
from chainrun.dsp.arrays import Array, BoolArray
from chainrun.dsp.runs import runs_of
from chainrun.units import SILENCE_DB, gain_to_db

Complex = NDArray[np.complex128]
SILENT = 10.0 ** (-70.0 / 20.0)
FLAT = 2e-4
"""Share of the largest sample within which others count as equal to it, at least a 16-bit step."""
STEEP = 4.0
"""Minimum step, in tolerances, with which a clipped wave reaches its top; a round one makes less than three."""
MANY_FLAT = 4
MAX_AT_TOP = 0.1
SURELY_CUT = 40
"""Number of frames at full scale that count as clipped, whatever the step before them."""
LOUD_HUM_DBFS = -40.0
DROPOUT_MS = 0.7
LOUD_BESIDE = 10.0 ** (-45.0 / 20.0)
WINDOW_S = 2.0
MAINS_HZ = (50.0, 60.0)
HARMONICS = 6
QUIET_PERCENT = 25.0
STANDS_OUT_DB = 14.0
FEWEST_STEADY = 6
OFF_HZ = 0.1
"""Maximum deviation of the mains frequency, and number of windows needed to see whether a line keeps its phase."""
BESIDE_HZ = (-2.0, -1.5, 1.5, 2.0)
SURE_SCORE, LINE_SCORE = 40.0, 8.0
"""Thresholds of phase coherence: for six harmonics together (6 on average by chance), and for a single one."""
CLIFF_DB = 25.0
"""Fall of a spectrum within 700 Hz, without a rise above, that shows a low-pass filter."""


@dataclass
class Runs:
    """Collects runs of consecutive frames in which a condition holds, across blocks: begins and lengths."""

    min_length: int
    begins: list[int] = field(default_factory=list)
    lengths: list[int] = field(default_factory=list)
    entries: list[float] = field(default_factory=list)
    """Size of the frame before each run."""
    _at: int = 0
    _open: int = 0
    _entry: float = 0.0
    _last: float = 0.0

    def feed(self, holds: BoolArray, sizes: Array) -> None:
        """Add a block: where the condition holds, and the size of each frame."""
        n = holds.size
        if n == 0:
            return
        if not holds.any():
            self._close(self._at)
            self._at += n
            self._last = float(sizes[-1])
            return
        for begin, end in runs_of(holds):
            if begin > 0:
                self._close(self._at)
            if not self._open:
                self._entry = float(sizes[begin - 1]) if begin else self._last
            if end < n:
                self._add(self._at + begin - self._open, end - begin + self._open)
                self._open = 0
            else:
                self._open += end - begin
        self._at += n
        self._last = float(sizes[-1])

    def _close(self, at: int) -> None:
        if self._open:
            self._add(at - self._open, self._open)
            self._open = 0

    def _add(self, begin: int, length: int) -> None:
        if length >= self.min_length:
            self.begins.append(begin)
            self.lengths.append(length)
            self.entries.append(self._entry)

    def end(self) -> None:
        """Close the last run at the end of the signal."""
        self._close(self._at)


@dataclass(frozen=True)
class HumFound:
    """A mains hum: its frequency, and the peak levels of its harmonics in dBFS (None if one does not stand out)."""

    mains_hz: float
    levels_dbfs: tuple[float | None, ...]


@dataclass(frozen=True)
class Alone:
    """Findings in one channel."""

    n_frames: int
    begin_silence_s: float
    end_silence_s: float
    dc_dbfs: float
    clipped_runs: int
    clipped_longest: int
    clipped_at_s: tuple[float, ...]
    flat_level_dbfs: float | None
    """Level below full scale at which waves are clipped."""
    flat_runs: int
    dropouts: int
    dropouts_at_s: tuple[float, ...]
    """Times of the first ten dropouts."""
    hum: HumFound | None
    bandwidth_hz: float | None
    """Frequency at which the spectrum ends, if it was low-pass filtered."""
    peak: float
    energy: float


class FileListener:
    """Analyses one channel block by block, each of shape (n_frames,)."""

    def __init__(self, rate_hz: int, full_scale: float):
        self._rate = rate_hz
        self._full_scale = full_scale
        self._clipped = Runs(CLIPPED_RUN)
        self._shortest = max(16, int(DROPOUT_MS * rate_hz / 1000))
        self._tops = {1.0: _Tops(), -1.0: _Tops()}
        self._energy = 0.0
        self._n, self._peak = 0, 0.0
        self._hop = max(1, rate_hz // 10)
        self._means: list[Array] = []
        self._part = np.zeros(0)
        self._first: int | None = None
        self._last = -1
        self._dropouts: list[int] = []
        self._size = int(WINDOW_S * rate_hz)
        self._window = np.hanning(self._size + 1)[:-1]
        self._waiting = np.zeros(0)
        self._lines: list[Complex] = []
        self._power = np.zeros(0)
        self._tail = np.zeros(0)
        """The last frames of the previous block, for events across the border."""

    def feed(self, x: Array) -> None:
        """Add a block."""
        size = np.abs(x)
        joined = np.concatenate([self._part, x])
        whole = joined.size // self._hop
        hops = joined[: whole * self._hop].reshape(whole, self._hop)
        self._means.append(np.stack([hops.mean(axis=1), hops.std(axis=1)]))
        self._part = joined[whole * self._hop :]
        self._energy += float(x @ x)
        sounding = np.flatnonzero(size > SILENT)
        if sounding.size:
            self._first = self._n + int(sounding[0]) if self._first is None else self._first
            self._last = self._n + int(sounding[-1])
        self._peak = max(self._peak, float(size.max(initial=0.0)))
        self._clipped.feed(size >= self._full_scale, size)
        for sign, tops in self._tops.items():
            tops.feed(sign * x)
        self._find_dropouts(x)
        self._take_lines(x)
        self._n += x.size

    def _find_dropouts(self, x: Array) -> None:
        beside = max(8, self._rate // 400)
        joined = np.concatenate([self._tail, x])
        start = self._n - self._tail.size
        zero = joined == 0.0
        if zero.any():
            for begin, end in runs_of(zero):
                if end - begin < self._shortest or begin < beside or end + beside > joined.size:
                    continue
                before, after = joined[begin - beside : begin], joined[end : end + beside]
                loud = min(float(np.sqrt(np.mean(before**2))), float(np.sqrt(np.mean(after**2)))) > LOUD_BESIDE
                if loud and start + begin not in self._dropouts:
                    self._dropouts.append(start + begin)
        self._tail = joined[-(self._rate // 5 + 2 * beside) :].copy()

    def _take_lines(self, x: Array) -> None:
        joined = np.concatenate([self._waiting, x])
        whole = joined.size // self._size
        for k in range(whole):
            whole_spectrum = np.fft.rfft(joined[k * self._size : (k + 1) * self._size] * self._window)
            self._lines.append(whole_spectrum[: int(WINDOW_S * 400)] * (4.0 / self._size))
            spectrum = np.abs(whole_spectrum)
            self._power = self._power + spectrum**2 if self._power.size else spectrum**2
        self._waiting = joined[whole * self._size :]

    def result(self) -> Alone:
        """The findings."""
        self._clipped.end()
        flat = [tops.found() for tops in self._tops.values()]
        level, runs, frames = max(flat, key=lambda one: one[1])
        # A wave that stays at its top for long is not clipped, but a synthesiser's.
        below = runs >= MANY_FLAT and frames < MAX_AT_TOP * self._n and not 0.97 < level / self._full_scale < 1.0001
        rate = self._rate
        clipped = self._clipped_runs()
        return Alone(
            n_frames=self._n,
            begin_silence_s=(self._first if self._first is not None else self._n) / rate,
            end_silence_s=(self._n - 1 - self._last) / rate if self._last >= 0 else self._n / rate,
            dc_dbfs=gain_to_db(abs(self._offset())),
            clipped_runs=len(clipped),
            clipped_longest=max((length for _, length in clipped), default=0),
            clipped_at_s=tuple(round(at / rate, 3) for at, _ in clipped[:10]),
            flat_level_dbfs=gain_to_db(level) if below else None,
            flat_runs=runs if below else 0,
            dropouts=len(self._dropouts),
            dropouts_at_s=tuple(round(at / rate, 3) for at in self._dropouts[:10]),
            hum=self._hum(),
            bandwidth_hz=self._bandwidth(),
            peak=self._peak,
            energy=self._energy,
        )

    def _clipped_runs(self) -> list[tuple[int, int]]:
        """Begin and length of runs at full scale where the wave is clipped, which it reaches by a step.

        A float file that exceeds full scale has lost nothing there.
        """
        if self._peak > 1.0001:
            return []
        found = zip(self._clipped.begins, self._clipped.lengths, self._clipped.entries, strict=True)
        return [
            (begin, length)
            for begin, length, entry in found
            if self._full_scale - entry >= STEEP * 1.01 / 32768.0 or length >= SURELY_CUT
        ]

    def _offset(self) -> float:
        """The constant part of the mean: that of the whole, limited to that of the quiet quarter and its sign.

        The asymmetry of clipped loud hits is not a DC offset.
        """
        hops = np.concatenate(self._means, axis=1) if self._means else np.zeros((2, 0))
        if not hops.shape[1]:
            return float(self._part.mean()) if self._part.size else 0.0
        quiet = hops[0][hops[1] <= np.percentile(hops[1], QUIET_PERCENT)]
        whole, still = float(hops[0].mean()), float(np.median(quiet))
        if whole * still <= 0.0:
            return 0.0
        return whole if abs(whole) < abs(still) else still

    def _hum(self) -> HumFound | None:
        """Lines at a mains frequency and its harmonics that are also present in quiet moments."""
        if len(self._lines) < 2:
            return None
        lines_over_time = np.array(self._lines)
        quiet = np.percentile(np.abs(lines_over_time), QUIET_PERCENT, axis=0)
        best: HumFound | None = None
        max_lines = 0
        for mains in MAINS_HZ:
            levels: list[float | None] = []
            steady = _steady(lines_over_time, mains)
            for harmonic in range(1, HARMONICS + 1):
                at = round(mains * harmonic * WINDOW_S)
                if at + 12 >= quiet.size:
                    levels.append(None)
                    continue
                line = _line_at(quiet, at)
                if line is None and steady is not None:
                    line = steady[harmonic - 1]
                levels.append(round(gain_to_db(line), 1) if line is not None else None)
            lines = sum(level is not None for level in levels)
            # Without its first harmonic a loud one may be an organ's note.
            loudest = max((level for level in levels if level is not None), default=SILENCE_DB)
            sure = levels[0] is not None or (levels[1] is not None and loudest < LOUD_HUM_DBFS)
            if lines > max_lines and lines >= 2 and sure:
                best, max_lines = HumFound(mains, tuple(levels)), lines
        return best

    def _bandwidth(self) -> float | None:
        if self._power.size == 0:
            return None
        width = int(WINDOW_S * 100)  # 100 Hz
        n = self._power.size // width
        level = 10.0 * np.log10(self._power[: n * width].reshape(n, width).mean(axis=1) + 1e-30)
        top = float(level.max())
        above = np.maximum.accumulate(level[::-1])[::-1]
        cliff = (level[:-7] - above[7:] >= CLIFF_DB) & (level[:-7] > top - 75.0)
        cliff[:30] = False
        if not cliff.any():
            return None
        last = int(np.flatnonzero(cliff)[-1])
        first = last - int(np.argmin(cliff[last::-1])) + 1
        edge = round((first + last) / 2.0 + 4.0)
        # A few ringing lines end somewhere, too; a low-pass filtered spectrum is full up to its edge.
        full = level[edge // 2 : edge - 6] > float(above[min(last + 7, n - 1)]) + 15.0
        if not full.size or float(full.mean()) < 0.8:
            return None
        edge_hz = edge * 100.0
        return edge_hz if edge_hz < 0.44 * self._rate else None


def _line_at(levels: Array, at: int) -> float | None:
    """The level of a line that stands out at a place of a spectrum."""
    line = float(levels[at - 1 : at + 2].max(initial=0.0))
    around = np.concatenate([levels[at - 10 : at - 3], levels[at + 4 : at + 11]])
    near = float(levels[at - 4 : at + 5].max(initial=0.0))
    clear = line > float(np.median(around)) * 10.0 ** (STANDS_OUT_DB / 20.0) and line >= near
    return line if clear and line > 10.0 ** (-95.0 / 20.0) else None


def _steady(lines: Complex, mains_hz: float) -> list[float | None] | None:
    """Levels of mains harmonics that keep their phase all the time, unlike a bass that plays throughout.

    In each window a harmonic's line is weighted by the inverse of the spectrum around it. The sums over time, for a
    phase that turns as for mains slightly off their frequency, are compared with chance and with the same sums beside
    the mains. None if they do not stand out.
    """
    n = len(lines)
    if n < FEWEST_STEADY:
        return None
    turns = np.linspace(-OFF_HZ, OFF_HZ, 41)
    t = np.arange(n) * WINDOW_S

    def sums(centre_hz: float) -> tuple[Array, Array]:
        """For each frequency offset and harmonic: the squared sum over its variance, and the amplitude."""
        scores, levels = np.zeros((2, turns.size, HARMONICS))
        for k in range(1, HARMONICS + 1):
            at = round(centre_hz * k * WINDOW_S)
            if at + 12 >= lines.shape[1]:
                continue
            beside = np.abs(np.concatenate([lines[:, at - 9 : at - 2], lines[:, at + 3 : at + 10]], axis=1)) ** 2
            weight = 1.0 / (np.median(beside, axis=1) / math.log(2.0) + 1e-14)
            phase = np.exp(-2j * np.pi * k * np.outer(turns, t))
            # At a whole frequency the window's position turns the phase by whole turns, so it needs no correction.
            total = phase @ (weight * lines[:, at])
            scores[:, k - 1] = np.abs(total) ** 2 / weight.sum()
            levels[:, k - 1] = np.abs(total) / weight.sum()
        return scores, levels

    scores, levels = sums(mains_hz)
    best = int(scores.sum(axis=1).argmax())
    whole = float(scores[best].sum())
    control = max(float(sums(mains_hz + off)[0].sum(axis=1).max()) for off in BESIDE_HZ)
    if whole < SURE_SCORE or whole < 2.0 * control:
        return None
    return [
        float(level) if score > LINE_SCORE else None for score, level in zip(scores[best], levels[best], strict=True)
    ]


class _Tops:
    """Runs of frames at the largest value so far (of one sign)."""

    def __init__(self) -> None:
        self._level = 0.0
        self._runs = 0
        self._frames = 0
        self._last = 0.0

    def feed(self, x: Array) -> None:
        highest = float(x.max(initial=0.0))
        tolerance = max(FLAT * highest, 1.01 / 32768.0)
        if highest > self._level + tolerance:
            self._level, self._runs, self._frames = highest, 0, 0
        tolerance = max(FLAT * self._level, 1.01 / 32768.0)
        if highest >= self._level - tolerance > 0.0:
            flat = x >= self._level - tolerance
            self._frames += int(flat.sum())
            for begin, end in runs_of(flat):
                before = x[begin - 1] if begin else self._last
                if end - begin >= CLIPPED_RUN and self._level - before >= STEEP * tolerance:
                    self._runs += 1
        self._last = float(x[-1]) if x.size else self._last

    def found(self) -> tuple[float, int, int]:
        """The level, and how many runs and frames lie at it."""
        return self._level, self._runs, self._frames
