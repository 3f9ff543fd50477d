"""Compares the microphones of a group: arrival, polarity, effect of adding, bleed, image."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls
from scipy.signal import sosfilt

from chainrun.dsp.arrays import Array, IntArray
from chainrun.dsp.arrival import AGREE_FRAMES, FINER, arrival
from chainrun.dsp.biquad import butterworth
from chainrun.dsp.eyring import SPEED_OF_SOUND
from chainrun.survey.channels import Channel
from chainrun.survey.hearing import BEFORE_MS, FINE
from chainrun.survey.kit import Drum

Complex = NDArray[np.complex128]
HIT_MS = (6, 18)
"""Part of a hit that is compared: time before and after it."""
MAX_MS = 32
"""Maximum arrival time that is searched: 11 m."""
SURE = 0.75
FEWEST = 3
"""Minimum agreement and number of hits to propose a change."""
PERHAPS_FIRST, UNSURE = 0.6, 0.4
_HIT = (HIT_MS[0], HIT_MS[0] + HIT_MS[1])
LOW_BAND_HZ = (40.0, 300.0)
BLEED_MS, SHORTEST_BLEED_MS = 185, 60
"""Time over which bleed is measured; less if the next hit comes earlier."""
LISTENS: dict[str, tuple[float | None, float | None]] = {
    "kick": (None, 400.0), "snare": (150.0, None), "rack_tom": (None, 600.0), "floor_tom": (40.0, 500.0),
}  # fmt: skip
"""Low cut and high cut of a gate's key by drum, used by a draft's gates (common practice)."""
FIRST_MS = 0.25
"""Minimum lead with which another close microphone counts as nearer to a drum."""
DRIFT_PPM, DRIFT_FRAMES = 2.0, 1.5
"""Minimum drift, and minimum number of frames over the take, that is reported."""
NEAR_M = 0.1
"""Default distance of a close microphone from its drum."""


@dataclass(frozen=True)
class Arrived:
    """Arrival of one drum's hits at a microphone, relative to the reference."""

    channel: str
    reference: str
    drum: str
    delay_frames: float
    """Delay after the reference; negative: before it."""
    inverted: bool
    confidence: float
    n_hits: int

    @property
    def sure(self) -> bool:
        """Whether it is certain enough to propose a change."""
        return self.confidence >= SURE and self.n_hits >= FEWEST


@dataclass(frozen=True)
class Adding:
    """Low band of two microphones added, in dB against the sum of their powers: as recorded, and aligned."""

    channel: str
    other: str
    drum: str
    before_db: float
    after_db: float
    first_notch_hz: float | None
    """First notch of their comb as recorded, 1 / (2 dt); None for opposite polarity or equal arrival."""


@dataclass(frozen=True)
class Seat:
    """Place of a drum in a pair of microphones: right relative to left."""

    drum: str
    level_db: float
    """Measured level; positive: louder on the right."""
    delay_ms: float
    """Positive: later on the right, which pulls it to the left."""
    expected_db: float
    """Level expected from the distances alone."""
    confidence: float
    """Share of hits that agree about its arrival, in the less certain of both microphones."""
    likeness: float
    """Similarity of the direct sound on both sides; 1: identical, without noise or reflections."""

    @property
    def agrees(self) -> bool:
        """Whether level and arrival do not indicate different sides."""
        return self.level_db * self.delay_ms <= 0.0 or abs(self.level_db) < 0.3 or abs(self.delay_ms) < 0.05


@dataclass(frozen=True)
class GateLevels:
    """Peaks in dBFS after a gate's key filter: hits, the loudest bleed; and hits without the filter."""

    hits_dbfs: float
    bleed_dbfs: float | None
    unfiltered_dbfs: float


@dataclass(frozen=True)
class Drift:
    """Drift of a microphone's clock against the reference's, from hits early and late in the take."""

    channel: str
    reference: str
    ppm: float
    frames: float
    seconds: float


class HitStretches:
    """The stretches around hits in a group's microphones, and comparisons of them."""

    def __init__(
        self,
        channels: list[Channel],
        drums: list[Drum],
        stretches: Mapping[str, FINE],
        rate_hz: int,
        *,
        places_ms: tuple[int, ...] = (),
        gap_ms: float = float(BLEED_MS),
    ):
        self.channels = {channel.name: channel for channel in channels}
        self._stretches = stretches
        self.rate_hz = rate_hz
        self._places_ms = np.array(places_ms)
        self._bleed_ms = int(min(BLEED_MS, max(SHORTEST_BLEED_MS, 0.6 * gap_ms)))
        self._step = rate_hz // 1000
        self._found: dict[tuple[str, str, str], Arrived | None] = {}
        self.drums = drums
        self.drums = [self._held_to_be_first(drum) for drum in drums]

    def _held_to_be_first(self, drum: Drum) -> Drum:
        """Mark drums whose hits reach another close microphone earlier: those hits are the other drum's."""
        clean = drum.microphones[0]
        for other in self.drums:
            if other is drum or not len(drum.rows):
                continue
            arrived = self.between(clean, other.microphones[0], drum)
            if arrived is None:
                continue
            late_frames = arrived.delay_frames - self._shift(other.microphones[0]) + self._shift(clean)
            if late_frames < -FIRST_MS * self._step and arrived.confidence >= PERHAPS_FIRST:
                return replace(drum, rows=drum.rows[:0], strengths=np.zeros(drum.strengths.shape), is_first=False)
        return drum

    def as_sure(self, one: Arrived) -> Arrived:
        """The arrival with its confidence limited: a close microphone cannot be later than a far one."""
        own, far = self.drum_of(one.channel), self.drum_of(one.reference) is None
        late_frames = (
            one.delay_frames - self._shift(one.channel) + self._shift(one.reference)
        )  # without the recipe's shifts
        late = own is not None and far and late_frames > 1.0
        return replace(one, confidence=min(one.confidence, UNSURE)) if late else one

    def drift(self, one: Arrived) -> Drift | None:
        """The drift of a microphone's clock against the reference's, from the arrivals of early and late hits."""
        drum = self.drum_of(one.channel) or next((d for d in self.drums if d.name == one.drum), None)
        if drum is None or len(drum.rows) < 8 or not self._places_ms.size:
            return None
        times = self._places_ms[drum.rows] / 1000.0
        delays = np.full(len(drum.rows), np.nan)
        for k, row in enumerate(drum.rows):
            part = np.array([row])
            a = self._cut(one.channel, part, *_HIT)
            b = self._cut(one.reference, part, HIT_MS[0] + MAX_MS, HIT_MS[0] + HIT_MS[1] + 2 * MAX_MS)
            arrived = arrival(a, b, self.rate_hz, MAX_MS * self._step)
            delays[k] = -arrived.delay_frames if arrived is not None else np.nan
        known = np.isfinite(delays)
        times, delays = times[known], delays[known]
        seconds = float(np.ptp(times)) if times.size else 0.0
        if times.size < 8 or seconds < 20.0:
            return None
        # Robust line through all hits (Theil and Sen: the median of the slopes of all pairs).
        i, j = np.triu_indices(times.size, 1)
        apart = np.abs(times[i] - times[j]) > 0.2 * seconds
        slope = float(np.median((delays[j] - delays[i])[apart] / (times[j] - times[i])[apart]))
        left = delays - slope * times
        agree = float((np.abs(left - np.median(left)) <= AGREE_FRAMES).mean())
        ppm, frames = slope / self.rate_hz * 1e6, slope * seconds
        if agree < SURE or abs(frames) < DRIFT_FRAMES or abs(ppm) < DRIFT_PPM:
            return None
        return Drift(one.channel, one.reference, ppm, frames, seconds)

    def levels_for_gate(self, name: str) -> GateLevels | None:
        """Levels of hits and bleed for a gate on a close microphone; None if the two cannot be separated."""
        drum = self.drum_of(name)
        if drum is None or not len(drum.rows):
            return None
        low, high = LISTENS.get(str(self.channels[name].role.instrument), (None, None))
        foreign = np.flatnonzero(drum.strengths < 0.1)
        hits, bleed = (self._peaks(name, rows, low, high) for rows in (drum.rows, foreign))
        plain = self._peaks(name, drum.rows, None, None)
        strong = [float(np.median(np.sort(one)[one.size // 2 :])) for one in (hits, plain)]
        if min(strong) <= 0.0:
            return None
        top = float(bleed.max(initial=0.0))
        return GateLevels(
            20.0 * math.log10(strong[0]),
            20.0 * math.log10(top) if top > 0.0 else None,
            20.0 * math.log10(strong[1]),
        )

    def _peaks(self, name: str, rows: IntArray, low_cut_hz: float | None, high_cut_hz: float | None) -> Array:
        """Peak of each stretch's hit after the filters of a key."""
        x = self._stretches[name][rows].astype(np.float64)
        for freq, high in ((low_cut_hz, True), (high_cut_hz, False)):
            if freq is not None:
                x = sosfilt(butterworth(2, freq, self.rate_hz, high=high), x, axis=1)
        at = BEFORE_MS * self._step
        peaks: Array = np.abs(x[:, at - 5 * self._step : at + 60 * self._step]).max(axis=1, initial=0.0)
        return peaks

    def _shift(self, name: str) -> float:
        """Shift of a channel by the recipe in frames."""
        channel = self.channels[name]
        return channel.input.parts[0].shift_frames if channel.input is not None else 0.0

    def drum_of(self, name: str) -> Drum | None:
        """The drum of a close microphone."""
        return next((drum for drum in self.drums if name in drum.microphones), None)

    def _cut(self, name: str, rows: IntArray, before_ms: int, length_ms: int) -> Array:
        begin = (BEFORE_MS - before_ms) * self._step
        return self._stretches[name][rows, begin : begin + length_ms * self._step].astype(np.float64)

    def between(self, first: str, second: str, drum: Drum) -> Arrived | None:
        """Arrival of a drum's hits at its second microphone, relative to its first."""
        key = (first, second, drum.name)
        if key not in self._found:
            before, after = HIT_MS
            a = self._cut(first, drum.rows, before, before + after)
            b = self._cut(second, drum.rows, before + MAX_MS, before + after + 2 * MAX_MS)
            found = arrival(a, b, self.rate_hz, MAX_MS * self._step) if len(drum.rows) else None
            self._found[key] = (
                Arrived(second, first, drum.name, found.delay_frames, found.inverted, found.confidence, found.n_hits)
                if found is not None
                else None
            )
        return self._found[key]

    def against(self, name: str, reference: str) -> list[Arrived]:
        """Arrivals at a microphone relative to the reference: by its own drum, else by each, most certain first."""
        own = self.drum_of(name)
        found = []
        for drum in [own] if own is not None else self.drums:
            clean = drum.microphones[0]
            a = self.between(clean, reference, drum)
            if name == clean:
                pair = a and Arrived(name, reference, drum.name, -a.delay_frames, a.inverted, a.confidence, a.n_hits)
            else:
                b = self.between(clean, name, drum)
                pair = (
                    Arrived(
                        name,
                        reference,
                        drum.name,
                        b.delay_frames - a.delay_frames,
                        a.inverted != b.inverted,
                        min(a.confidence, b.confidence),
                        min(a.n_hits, b.n_hits),
                    )
                    if a is not None and b is not None
                    else None
                )
            if pair is not None:
                found.append(pair)
        first = ("snare", "kick")  # the middle of a kit

        def rank(one: Arrived) -> tuple[bool, int, float]:
            unsure = one.confidence < SURE or one.n_hits < 5
            return unsure, first.index(one.drum) if one.drum in first else len(first), -one.confidence

        return sorted(found, key=rank)

    def adding(self, name: str, other: str, drum: Drum, moved: tuple[float, bool]) -> Adding | None:
        """The effect of adding two microphones in the low band, as recorded and with the first one aligned."""
        if not len(drum.rows):
            return None
        a = self._cut(name, drum.rows, BEFORE_MS, 230)
        b = self._cut(other, drum.rows, BEFORE_MS, 230)
        n = 1 << (2 * a.shape[1] - 1).bit_length()
        freqs = np.fft.rfftfreq(n, 1.0 / self.rate_hz)
        band = (freqs >= LOW_BAND_HZ[0]) & (freqs <= LOW_BAND_HZ[1])
        spectra = [np.fft.rfft(x, n)[:, band] for x in (a, b)]
        if any(float(np.abs(x).max()) == 0.0 for x in spectra):
            return None

        def gain(x: Complex, y: Complex) -> float:
            powers = np.maximum(np.sum(np.abs(x) ** 2 + np.abs(y) ** 2, axis=1), 1e-30)
            return 10.0 * math.log10(float(np.median(np.sum(np.abs(x + y) ** 2, axis=1) / powers)) + 1e-12)

        turn = np.exp(-2j * np.pi * freqs[band] * moved[0] / self.rate_hz) * (-1.0 if moved[1] else 1.0)
        arrived = self.between(name, other, drum)
        apart = abs(arrived.delay_frames) / self.rate_hz if arrived is not None else 0.0
        notch = None
        if arrived is not None and not arrived.inverted and 2.0 * apart * LOW_BAND_HZ[0] > 0.01:
            notch = 0.5 / apart
        after = gain(spectra[0] * turn, spectra[1])
        return Adding(name, other, drum.name, gain(*spectra), after, notch)

    def bleed(self) -> dict[str, dict[str, float | None]]:
        """Level of each drum's hits in each microphone, relative to its own; None if it cannot be measured."""
        if not self.drums:
            return {}
        sources = np.stack([drum.strengths**2 for drum in self.drums], axis=1)
        sources = np.where(sources >= 0.01, sources, 0.0)
        levels = {}
        for name in self.channels:
            total = np.zeros(len(self.drums))
            for found in self._band_energies(name).T:
                # Each hit is weighted by its energy, so that loud hits do not dominate quiet ones.
                weight = 1.0 / np.sqrt(found + 0.02 * found.max(initial=0.0) + 1e-20)
                total += nnls(sources * weight[:, None], found * weight)[0]
            levels[name] = total
        told: dict[str, dict[str, float | None]] = {}
        for k, drum in enumerate(self.drums):
            own = levels[drum.microphones[0]][k]
            told[drum.name] = {
                name: 10.0 * math.log10(level[k] / own) if own > 0 and level[k] > 1e-9 * own else None
                for name, level in levels.items()
            }
        return told

    def _band_energies(self, name: str) -> Array:
        """Energy of each hit in the four bands, minus the sound before it; shape (n_hits, 4)."""
        at, length = BEFORE_MS * self._step, self._bleed_ms * self._step
        x = self._stretches[name].astype(np.float64)
        gap = 4 * self._step
        n = 1 << (length - 1).bit_length()
        bins = np.fft.rfftfreq(n, 1.0 / self.rate_hz)
        after = np.abs(np.fft.rfft(x[:, at - 2 * self._step : at - 2 * self._step + length], n)) ** 2 / length
        before = np.abs(np.fft.rfft(x[:, : at - gap] * np.hanning(at - gap), n)) ** 2 / (0.375 * (at - gap))
        edges = np.searchsorted(bins, [20.0, 120.0, 400.0, 2500.0, 20000.0])
        spent = np.maximum(0.0, after - before)
        return np.stack([spent[:, low:high].sum(axis=1) for low, high in itertools.pairwise(edges)], axis=1)

    def hit_levels(self, drum: Drum) -> dict[str, float]:
        """Usual peak of a drum's hits (median of the louder half) in each of its microphones, in dBFS."""
        at = BEFORE_MS * self._step
        found = {}
        for name in drum.microphones:
            peaks = np.abs(self._stretches[name][drum.rows, at - 5 * self._step : at + 60 * self._step]).max(
                axis=1, initial=0.0
            )
            strong = np.sort(peaks)[peaks.size // 2 :]
            if strong.size and float(np.median(strong)) > 0:
                found[name] = 20.0 * math.log10(float(np.median(strong)))
        return found

    def bleed_peak(self, drum: Drum, name: str) -> float | None:
        """95th percentile of peaks in a microphone while its own drum is not hit, in dBFS."""
        at = BEFORE_MS * self._step
        foreign = np.flatnonzero(drum.strengths < 0.1)
        if not foreign.size:
            return None
        peaks = np.abs(self._stretches[name][foreign, at - 5 * self._step : at + 60 * self._step]).max(
            axis=1, initial=0.0
        )
        top = float(np.percentile(peaks, 95))
        return 20.0 * math.log10(top) if top > 0 else None

    def seats(self, left: str, right: str) -> list[Seat]:
        """Place of each drum in a pair, from the direct sound alone, before reflections arrive."""
        found = []
        paths = [self._paths(side) for side in (left, right)]
        for k, drum in enumerate(self.drums):
            clean = drum.microphones[0]
            arrivals = [self.between(clean, side, drum) for side in (left, right)]
            if arrivals[0] is None or arrivals[1] is None:
                continue
            one, other = (
                _around(path[k], each.delay_frames)
                for path, each in zip(paths, (arrivals[0], arrivals[1]), strict=True)
            )
            products = float(one @ one), float(other @ other), float(one @ other)
            if products[2] <= 0.0:
                continue
            likeness = products[2] / math.sqrt(products[0] * products[1])
            near = self.channels[clean].distance_m or NEAR_M
            metres = [
                # From the path through air: the recipe's own shift is not distance.
                max(
                    0.05,
                    near + (one.delay_frames - self._shift(side) + self._shift(clean)) / self.rate_hz * SPEED_OF_SOUND,
                )
                for side, one in zip((left, right), (arrivals[0], arrivals[1]), strict=True)
            ]
            found.append(
                Seat(
                    drum.name,
                    10.0 * math.log10(products[1] / products[0]),
                    (arrivals[1].delay_frames - arrivals[0].delay_frames) / self.rate_hz * 1000.0,
                    20.0 * math.log10(metres[0] / metres[1]),
                    min(arrivals[0].confidence, arrivals[1].confidence),
                    likeness,
                )
            )
        return found

    def _paths(self, far: str) -> list[Array]:
        """Impulse responses from each drum's own microphone to a far one, with FINER points for each frame.

        Solved by least squares at each frequency, over all hits and drums together, since drums are hit together.
        """
        rows = np.arange(len(self._stretches[far]))
        length = HIT_MS[0] + HIT_MS[1]
        taper = np.minimum(1.0, (np.arange(length * self._step)[::-1] + 1) / (4.0 * self._step))
        n = 1 << ((2 * length + MAX_MS) * self._step - 1).bit_length()
        near = np.stack(
            [np.fft.rfft(self._cut(d.microphones[0], rows, HIT_MS[0], length) * taper, n) for d in self.drums], axis=2
        )
        arriving = np.fft.rfft(self._cut(far, rows, HIT_MS[0], length + MAX_MS), n)
        near = np.moveaxis(near, 0, 1)  # frequency, hit, drum
        normal = np.conj(np.swapaxes(near, 1, 2)) @ near
        sizes = np.einsum("fii->fi", normal).real
        freqs = np.fft.rfftfreq(n, 1.0 / self.rate_hz)
        mask = np.clip((freqs - 300.0) / 100.0, 0.0, 1.0) * np.clip((8000.0 - freqs) / 1000.0, 0.0, 1.0)
        floor = 1e-3 * sizes[mask > 0.5].max(axis=0, initial=1e-20)
        normal += np.eye(len(self.drums)) * floor
        response = np.linalg.solve(normal, np.conj(np.swapaxes(near, 1, 2)) @ arriving.T[:, :, None])[:, :, 0]
        return [np.fft.irfft(response[:, k] * mask, n * FINER) for k in range(len(self.drums))]


def _around(path: Array, delay_frames: float) -> Array:
    """Direct sound in an impulse response: 10 frames to either side of its arrival."""
    at = np.arange(-10 * FINER, 10 * FINER + 1) + delay_frames * FINER
    whole = np.floor(at).astype(int)
    share = at - whole
    near: Array = np.take(path, whole, mode="wrap") * (1.0 - share) + np.take(path, whole + 1, mode="wrap") * share
    return near * np.hanning(at.size)
