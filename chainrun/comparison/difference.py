"""How two sounds differ, in figures."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from chainrun.audiofile import read_header
from chainrun.comparison.limits import WORTH_DB, Floor, steps_lu
from chainrun.comparison.residual import residual_lu
from chainrun.comparison.sounds import MAX_S, AlignedStream, Sound, blocks, measure, offset_frames, rate_of
from chainrun.comparison.verdict import verdict
from chainrun.dsp.arrays import Array
from chainrun.dsp.cascade import Cascade
from chainrun.errors import AudioError, Problem, shown_path
from chainrun.loudness.analysis import NOMINAL_HZ, Analysis
from chainrun.loudness.k_weighting import k_weighting
from chainrun.loudness.meter import Meter
from chainrun.measured import finite, measured_record
from chainrun.units import db_to_gain, gain_to_db, power_ratio_db

QUANTITIES = (
    "integrated_lufs", "momentary_max_lufs", "short_term_max_lufs", "range_lu", "true_peak_dbtp", "crest_db",
    "correlation", "side_to_mid_db",
)  # fmt: skip

SAME_SHARE = 1e-6
"""Of the energy of a second (-60 dB): what may be left where two are the same."""
SAME_SECONDS = 0.1
"""Share of the seconds that must be the same for the level to be matched there."""
LIKE = 0.9
"""Correlation from which on two sounds count as turned or swapped."""
MONO_SHARE = 1e-5
"""Of the side in the energy: -50 dB."""
LEANS_DB = 0.5


@dataclass(frozen=True)
class Difference:
    """B against A."""

    one: Sound
    other: Sound
    offset_frames: float
    """B's sound lies so many frames (of A's rate) later; it was moved back."""
    gain_db: float
    """B was made louder by so much."""
    residual_dbfs: float
    residual_lu: float
    """K-weighted, against A."""
    by_second_lu: tuple[float, ...]
    """Against A's mean, or A's own second where that is louder."""
    loudest_second_dbfs: float
    by_band_db: dict[str, float]
    """The residual's third octaves against A's."""
    bands_db: dict[str, float]
    """B's third octaves, matched, less A's."""
    moved_db: dict[str, float]
    """The same over the seconds that differ."""
    identical: bool
    aligned: bool
    """Whether a common sound was found by which they could be laid over each other."""
    turned: list[str]
    """How B's image differs: polarity, sides, width, balance."""
    judged_s: tuple[float, float] | None = None
    """The part of A that was compared, where an offset left ends without a counterpart."""

    def worst_band_db(self) -> float:
        """The largest change of a third octave that counts."""
        return max((abs(db) for db in self.bands_db.values()), default=0.0)

    def notes(self) -> list[str]:
        """What was done to B so that the two could be laid over each other, and what else there is to know."""
        a, b = self.one.measured, self.other.measured
        told = []
        if not self.aligned:
            told.append(f"no sound in common was found within {MAX_S:g} s of each other: B was not moved")
        told += [f"B is {word}" for word in self.turned]
        if a.n_channels != b.n_channels:
            told.append("one is mono, and stands on both sides")
        if a.rate_hz != b.rate_hz:
            told.append(f"B was converted from {b.rate_hz} to {a.rate_hz} Hz")
        if a.rate_hz == b.rate_hz and a.n_frames != b.n_frames:
            more = b.n_frames - a.n_frames
            told.append(f"B is {abs(more)} frames {'longer' if more > 0 else 'shorter'} than A")
            told[-1] += "; the shorter one ends in silence" if self.judged_s is None else ""
        if self.judged_s is not None:
            begin, end = self.judged_s
            told.append(f"compared from {begin:.2f} to {end:.2f} s of A, where both have sound")
        return told

    def inaudible(self, floor: Floor) -> bool:
        """Whether it counts as no difference."""
        loudest = max(self.by_second_lu, default=-math.inf)
        return self.identical or floor.holds(self.residual_lu, loudest, self.loudest_second_dbfs, self.worst_band_db())

    def sentence(self, floor: Floor | None = None) -> str:
        """The verdict."""
        return verdict(
            identical=self.identical,
            inaudible=self.inaudible(floor or Floor()),
            bands_db=self.moved_db or self.bands_db,
            by_second_lu=self.by_second_lu,
            residual_lu=self.residual_lu,
            floor=floor or Floor(),
            turned=self.turned,
        )

    def record(self) -> dict[str, Any]:
        """As a JSON object."""
        a, b = self.one.measured, self.other.measured
        return {
            "files": [
                {"file": str(sound.path), "measured": measured_record(sound.measured)}
                for sound in (self.one, self.other)
            ],
            "offset_frames": round(self.offset_frames, 3),
            "gain_db": round(self.gain_db, 3),
            "judged_s": [round(second, 3) for second in self.judged_s] if self.judged_s is not None else None,
            "identical": self.identical,
            "aligned": self.aligned,
            "image": self.turned,
            "notes": self.notes(),
            "residual_dbfs": finite(self.residual_dbfs),
            "residual_lu": finite(self.residual_lu),
            "residual_by_second_lu": [finite(value, 1) for value in self.by_second_lu],
            "residual_by_band_db": {hz: finite(db, 1) for hz, db in self.by_band_db.items()},
            "third_octave_difference_db": {hz: finite(db) for hz, db in self.bands_db.items()},
            "third_octave_difference_where_it_differs_db": {hz: finite(db) for hz, db in self.moved_db.items()},
            "difference": {
                key: finite(getattr(b, key) - getattr(a, key), 3)
                for key in QUANTITIES
                if getattr(a, key) is not None and getattr(b, key) is not None
            },
            "verdict": self.sentence(),
        }


def difference(one: Path, other: Path, *, match: bool = True) -> Difference:
    """Compare two files: aligned in time and matched in loudness, unless `match` is False. Raises AudioError."""
    for path in (one, other):
        if (channels := read_header(path).n_channels) > 2:
            raise AudioError(
                Problem("only mono and stereo files are compared", file=shown_path(path), given=f"{channels} channels")
            )
    a, b = measure(one), measure(other)
    rate = rate_of(one)
    found = offset_frames(a, b, rate) if match else 0.0
    late = found or 0.0
    part = _shared(a, b, rate, late)
    seconds = _Seconds(_both(a, b, rate, late, 0.0, part))
    gain = _matching_gain(a, b, rate, late, part, seconds) if match else 0.0
    gain = 0.0 if abs(gain) < 1e-6 else gain
    return _apart(a, b, rate, late, gain, part, seconds, aligned=not match or found is not None)


class _Seconds:
    """Energies of each second of both sounds, and what they have in common."""

    def __init__(self, pairs: Iterator[tuple[Array, Array]]):
        rows = [
            (np.einsum("in,jn->ij", x, x), np.einsum("in,jn->ij", x, y), np.einsum("in,jn->ij", y, y)) for x, y in pairs
        ]
        empty = np.zeros((0, 2, 2))
        a, c, b = (np.array([row[k] for row in rows]) if rows else empty for k in range(3))
        self.xx, self.xy, self.yy = (np.trace(one, axis1=1, axis2=2) for one in (a, c, b))
        self._a, self._c, self._b = (one.sum(axis=0) for one in (a, c, b))
        """Of the whole: each side with each, within A, across, and within B."""

    def same_gain(self) -> float | None:
        """The gain in dB that lays B over A wherever nothing but the level may differ; None where that is nowhere."""
        heard = (self.xx > 1e-4 * self.xx.mean()) & (self.yy > 0.0)
        left = 1.0 - self.xy**2 / np.maximum(self.xx * self.yy, 1e-30)
        same = heard & (left < SAME_SHARE) & (self.xy > 0.0)
        if int(same.sum()) < max(1, SAME_SECONDS * int(heard.sum())):
            return None
        gains = np.sort(self.xy[same] / self.yy[same])
        # The value that most seconds agree on within a hundredth of a dB or two.
        counts = np.searchsorted(gains, gains * 1.002, "right") - np.arange(gains.size)
        at = int(counts.argmax())
        return 20.0 * math.log10(float(np.median(gains[at : at + int(counts[at])])))

    def differing(self, gain_db: float) -> Array:
        """Whether each second differs, once B has this gain."""
        g = db_to_gain(gain_db)
        left = self.xx - 2.0 * g * self.xy + g * g * self.yy
        against = np.maximum(self.xx, self.xx.mean() if self.xx.size else 0.0)
        return np.asarray(left > SAME_SHARE * against)

    def turned(self) -> list[str]:
        """How B's image differs from A's, in words: polarity, sides, width, balance."""
        a, b = np.diag(self._a), np.diag(self._b)
        if not (a.sum() > 0.0 and b.sum() > 0.0):
            return []
        if np.minimum(a, b).min() <= 1e-9 * max(a.sum(), b.sum()):
            gone = [
                side for side, then, now in zip(("left", "right"), a, b, strict=True) if now <= 1e-9 * b.sum() < then
            ]
            return [f"without its {side} side" for side in gone]
        like = self._c / np.sqrt(np.outer(a, b))
        straight, crossed = (like[0, 0], like[1, 1]), (like[0, 1], like[1, 0])
        told = []
        swapped = min(map(abs, crossed)) > LIKE and sum(map(abs, crossed)) > sum(map(abs, straight)) + 1e-3
        ways = crossed if swapped else straight
        if swapped:
            told.append("with its sides swapped")
        if max(ways) < -LIKE:
            told.append("upside down")
        elif min(ways) < -LIKE and max(ways) > LIKE:
            told.append(f"upside down on its {('left', 'right')[int(np.argmin(ways))]} side")
        widths = [self._side(one) for one in (self._a, self._b)]
        if widths[1] < MONO_SHARE < 10.0 * MONO_SHARE < widths[0]:
            told.append("mono")
        elif not swapped:
            leans = 10.0 * math.log10((b[1] / b[0]) / (a[1] / a[0]))
            if abs(leans) >= LEANS_DB:
                told.append(f"{abs(leans):.1f} dB louder on the {'right' if leans > 0 else 'left'} than A is")
        return told

    @staticmethod
    def _side(products: Array) -> float:
        """The side's share of the energy."""
        whole = float(np.trace(products))
        return (whole - 2.0 * float(products[0, 1])) / (2.0 * whole)


def _on_two(sound: Sound) -> float:
    """Loudness on two loudspeakers: a mono file is measured as one channel, and compared on both."""
    lufs = sound.measured.integrated_lufs
    return lufs + 10.0 * math.log10(2.0) if sound.measured.n_channels == 1 else lufs


def _shared(a: Sound, b: Sound, rate: int, late: float) -> tuple[int, int]:
    """Frames of A that are compared: all of both, less the ends that an offset leaves without a counterpart."""
    n_b = -(-b.measured.n_frames * rate // b.measured.rate_hz)
    ends = sorted((float(a.measured.n_frames), n_b - late))
    begin = math.ceil(max(0.0, -late))
    end = math.floor(ends[0]) if late and ends[1] - ends[0] <= abs(late) + 1.0 else math.ceil(ends[1])
    return (begin, end) if end > begin else (0, math.ceil(ends[1]))


def _both(
    a: Sound, b: Sound, rate: int, late: float, gain: float, part: tuple[int, int]
) -> Iterator[tuple[Array, Array]]:
    """Both sounds laid over each other, a second at a time."""
    streams = AlignedStream(a.path, rate), AlignedStream(b.path, rate, -late, gain)
    try:
        for stream in streams:
            for at in range(0, part[0], rate):
                stream.read(min(rate, part[0] - at))
        yield from blocks(*streams, part[1] - part[0], rate)
    finally:
        for stream in streams:
            stream.close()


def _matching_gain(a: Sound, b: Sound, rate: int, late: float, part: tuple[int, int], seconds: _Seconds) -> float:
    """What makes B as loud as A: where they are the same but for a level; else over what both have."""
    same = seconds.same_gain()
    if same is not None:
        return same
    whole = _on_two(a) - _on_two(b)
    n_b = -(-b.measured.n_frames * rate // b.measured.rate_hz)
    if late == 0.0 and n_b == a.measured.n_frames:
        return whole if math.isfinite(whole) else 0.0
    n = min(part[1], a.measured.n_frames, math.floor(n_b - late))
    meters = Meter(rate, 2, true_peak=False), Meter(rate, 2, true_peak=False)
    for x, y in _both(a, b, rate, late, 0.0, (part[0], n)):
        meters[0].feed(x)
        meters[1].feed(y)
    shared = meters[0].result().integrated_lufs - meters[1].result().integrated_lufs
    return next((gain for gain in (shared, whole) if math.isfinite(gain)), 0.0)


def _apart(
    a: Sound,
    b: Sound,
    rate: int,
    late: float,
    gain: float,
    part: tuple[int, int],
    known: _Seconds,
    *,
    aligned: bool,
) -> Difference:
    differs = known.differing(gain)
    apart_only = [Analysis(rate, 2), Analysis(rate, 2)]
    weighting = Cascade(k_weighting(rate))
    states = [weighting.start_state(2) for _ in range(2)]
    heard = Analysis(rate, 2)
    moved, first = Analysis(rate, 2), Analysis(rate, 2)
    seconds: list[float] = []
    wholes: list[float] = []
    energy = loudest = 0.0
    identical = a.measured.n_frames == b.measured.n_frames and a.measured.n_channels == b.measured.n_channels
    for x, y in _both(a, b, rate, late, gain, part):
        apart = x - y
        power = float(np.sum(apart**2))
        energy, loudest = energy + power, max(loudest, power / (2.0 * apart.shape[1]))
        identical = identical and not apart.any()
        filtered, states[0] = weighting.run(apart, states[0])
        whole, states[1] = weighting.run(np.ascontiguousarray(x), states[1])
        seconds.append(float(np.sum(filtered**2)))
        wholes.append(float(np.sum(whole**2)))
        heard.feed(apart)
        moved.feed(y)
        first.feed(x)
        if differs[len(seconds) - 1]:
            apart_only[0].feed(x)
            apart_only[1].feed(y)
    residual = heard.result().third_octave_db or {}
    bands_a, bands_b = first.result().third_octave_db or {}, moved.result().third_octave_db or {}
    cut = abs(late) >= rate / 100.0
    return Difference(
        one=a,
        other=b,
        offset_frames=late,
        gain_db=gain,
        residual_dbfs=gain_to_db(math.sqrt(energy / max(1, 2 * (part[1] - part[0])))),
        residual_lu=residual_lu(sum(seconds), sum(wholes)),
        by_second_lu=tuple(steps_lu(seconds, wholes).tolist()),
        loudest_second_dbfs=power_ratio_db(loudest, 1.0),
        by_band_db={hz: residual[hz] - bands_a[hz] for hz in residual if math.isfinite(bands_a.get(hz, -math.inf))},
        bands_db=bands_apart(bands_a, bands_b),
        moved_db=bands_apart(*(one.result().third_octave_db or {} for one in apart_only)),
        aligned=aligned,
        turned=known.turned(),
        identical=identical and late == 0.0 and gain == 0.0,
        judged_s=(part[0] / rate, part[1] / rate) if cut else None,
    )


def bands_apart(one: dict[str, float], other: dict[str, float]) -> dict[str, float]:
    """Third octaves of B less those of A, where one of them is within 50 dB of the loudest."""
    top = max([*one.values(), *other.values()], default=-math.inf)
    if not math.isfinite(top):
        return {}
    found = {}
    for hz in one:
        a, b = one[hz], other.get(hz, -math.inf)
        if max(a, b) >= top - WORTH_DB:
            found[hz] = max(-99.0, min(99.0, b - a)) if math.isfinite(a) or math.isfinite(b) else 0.0
    return found


def band_array(bands: dict[str, float]) -> Array:
    """Levels in the order of the nominal frequencies; silence where there is none."""
    return np.array([bands.get(f"{hz:g}", -200.0) for hz in NOMINAL_HZ])
