"""How two sounds differ, in figures."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np

from chainrun.audiofile import read_header
from chainrun.comparison.image import ImageChange, image_changes, image_words
from chainrun.comparison.limits import WORTH_DB, Floor
from chainrun.comparison.residual import ResidualMeter
from chainrun.comparison.sounds import MAX_S, AlignedStream, Sound, blocks, measure, offset_frames, rate_of
from chainrun.comparison.verdict import THE_SAME, verdict
from chainrun.dsp.arrays import Array
from chainrun.errors import AudioError, Problem, shown_path
from chainrun.loudness.analysis import NOMINAL_HZ, Analysis
from chainrun.loudness.meter import Meter
from chainrun.measured import finite, measured_record
from chainrun.problem_codes import Code
from chainrun.units import db_to_gain, gain_to_db, power_ratio_db

QUANTITIES = (
    "integrated_lufs", "momentary_max_lufs", "short_term_max_lufs", "range_lu", "true_peak_dbtp", "crest_db",
    "correlation", "side_to_mid_db",
)  # fmt: skip

SAME_SHARE = 1e-6
"""Of the energy of a second (-60 dB): what may be left where two are the same."""
SAME_SECONDS = 0.1
"""Share of the seconds that must be the same for the level to be matched there."""
MIN_GAIN_DB = 1e-6
"""A smaller gain is none."""
CUT_S = 0.01
"""From this offset on the part that was compared is named."""


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
    image: tuple[ImageChange, ...]
    """How B's image differs: polarity, sides, width, balance."""
    judged_s: tuple[float, float] | None = None
    """The part of A that was compared, where an offset left ends without a counterpart."""

    def worst_band_db(self) -> float:
        """The largest change of a third octave that counts."""
        return max((abs(db) for db in self.bands_db.values()), default=0.0)

    def notes(self) -> list[str]:
        """What was done to B so that the two could be laid over each other, and what else there is to know."""
        a, b = self.one.measured, self.other.measured
        found = []
        if not self.aligned:
            found.append(f"no sound in common was found within {MAX_S:g} s of each other: B was not moved")
        found += [f"B is {words}" for words in image_words(self.image)]
        if a.n_channels != b.n_channels:
            found.append("one is mono, and stands on both sides")
        if a.rate_hz != b.rate_hz:
            found.append(f"B was converted from {b.rate_hz} to {a.rate_hz} Hz")
        if a.rate_hz == b.rate_hz and a.n_frames != b.n_frames:
            more = b.n_frames - a.n_frames
            found.append(f"B is {abs(more)} frames {'longer' if more > 0 else 'shorter'} than A")
            found[-1] += "; the shorter one ends in silence" if self.judged_s is None else ""
        if self.judged_s is not None:
            begin, end = self.judged_s
            found.append(f"compared from {begin:.2f} to {end:.2f} s of A, where both have sound")
        return found

    def inaudible(self, floor: Floor) -> bool:
        """Whether it counts as no difference."""
        loudest = max(self.by_second_lu, default=-math.inf)
        return self.identical or floor.holds(self.residual_lu, loudest, self.loudest_second_dbfs, self.worst_band_db())

    def sentence(self, floor: Floor | None = None) -> str:
        """The verdict."""
        if self.identical:
            return THE_SAME
        return verdict(
            inaudible=self.inaudible(floor or Floor()),
            bands_db=self.moved_db or self.bands_db,
            by_second_lu=self.by_second_lu,
            residual_lu=self.residual_lu,
            floor=floor or Floor(),
            turned=image_words(self.image),
        )

    def record(self, labels: Sequence[str] | None = None) -> dict[str, object]:
        """As a JSON object; `labels` stand in place of the two files' paths."""
        a, b = self.one.measured, self.other.measured
        return {
            "files": [
                {"file": label, "measured": measured_record(sound.measured)}
                for label, sound in zip(labels or self._paths(), (self.one, self.other), strict=True)
            ],
            "offset_frames": round(self.offset_frames, 3),
            "gain_db": round(self.gain_db, 3),
            "judged_s": [round(second, 3) for second in self.judged_s] if self.judged_s is not None else None,
            "identical": self.identical,
            "aligned": self.aligned,
            "image": image_words(self.image),
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

    def _paths(self) -> list[str]:
        return [str(self.one.path), str(self.other.path)]


def difference(one: Path, other: Path, *, match: bool = True) -> Difference:
    """Compare two files: aligned in time and matched in loudness, unless `match` is False. Raises AudioError."""
    for path in (one, other):
        if (channels := read_header(path).n_channels) > 2:
            raise AudioError(
                Problem(
                    "only mono and stereo files are compared",
                    file=shown_path(path),
                    given=f"{channels} channels",
                    code=Code.NOT_COMPARABLE,
                )
            )
    a, b = measure(one), measure(other)
    rate = rate_of(one)
    found = offset_frames(a, b, rate) if match else 0.0
    laid = _Laid(a, b, rate, found or 0.0)
    seconds = _Seconds(laid.both())
    gain = _matching_gain(laid, seconds) if match else 0.0
    gain = 0.0 if abs(gain) < MIN_GAIN_DB else gain
    return _apart(laid, gain, seconds, aligned=not match or found is not None)


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
        audible = (self.xx > 1e-4 * self.xx.mean()) & (self.yy > 0.0)
        left = 1.0 - self.xy**2 / np.maximum(self.xx * self.yy, 1e-30)
        same = audible & (left < SAME_SHARE) & (self.xy > 0.0)
        if int(same.sum()) < max(1, SAME_SECONDS * int(audible.sum())):
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

    def image(self) -> tuple[ImageChange, ...]:
        """How B's image differs from A's."""
        return image_changes(self._a, self._c, self._b)


def _on_two(sound: Sound) -> float:
    """Loudness on two loudspeakers: a mono file is measured as one channel, and compared on both."""
    lufs = sound.measured.integrated_lufs
    return lufs + 10.0 * math.log10(2.0) if sound.measured.n_channels == 1 else lufs


@dataclass(frozen=True)
class _Laid:
    """Two sounds laid over each other."""

    a: Sound
    b: Sound
    rate_hz: int
    late: float
    """B's sound lies so many frames later."""

    @property
    def n_frames_b(self) -> int:
        """B's length at A's rate."""
        measured = self.b.measured
        return -(-measured.n_frames * self.rate_hz // measured.rate_hz)

    @cached_property
    def part(self) -> tuple[int, int]:
        """Frames of A that are compared: all of both, less the ends that an offset leaves without a counterpart."""
        late = self.late
        ends = sorted((float(self.a.measured.n_frames), self.n_frames_b - late))
        begin = math.ceil(max(0.0, -late))
        end = math.floor(ends[0]) if late and ends[1] - ends[0] <= abs(late) + 1.0 else math.ceil(ends[1])
        return (begin, end) if end > begin else (0, math.ceil(ends[1]))

    def both(self, gain_db: float = 0.0, end: int | None = None) -> Iterator[tuple[Array, Array]]:
        """Both sounds, a second at a time, B louder by a gain; to the end of the part, or to another frame."""
        rate, begin = self.rate_hz, self.part[0]
        streams = AlignedStream(self.a.path, rate), AlignedStream(self.b.path, rate, -self.late, gain_db)
        try:
            for stream in streams:
                for at in range(0, begin, rate):
                    stream.read(min(rate, begin - at))
            yield from blocks(*streams, (self.part[1] if end is None else end) - begin, rate)
        finally:
            for stream in streams:
                stream.close()


def _matching_gain(laid: _Laid, seconds: _Seconds) -> float:
    """What makes B as loud as A, in dB: where they are the same but for a level; else over what both have."""
    same = seconds.same_gain()
    if same is not None:
        return same
    whole = _on_two(laid.a) - _on_two(laid.b)
    n_a, n_b = laid.a.measured.n_frames, laid.n_frames_b
    if laid.late == 0.0 and n_b == n_a:
        return whole if math.isfinite(whole) else 0.0
    end = min(laid.part[1], n_a, math.floor(n_b - laid.late))
    meters = Meter(laid.rate_hz, 2, true_peak=False), Meter(laid.rate_hz, 2, true_peak=False)
    for x, y in laid.both(end=end):
        meters[0].feed(x)
        meters[1].feed(y)
    shared = meters[0].result().integrated_lufs - meters[1].result().integrated_lufs
    return next((gain for gain in (shared, whole) if math.isfinite(gain)), 0.0)


def _apart(laid: _Laid, gain: float, known: _Seconds, *, aligned: bool) -> Difference:
    """The difference of two sounds that lie over each other, B louder by a gain in dB."""
    a, b, rate, late, part = laid.a, laid.b, laid.rate_hz, laid.late, laid.part
    differs = known.differing(gain)
    where_apart = Analysis(rate, 2), Analysis(rate, 2)
    residual, meter = Analysis(rate, 2), ResidualMeter(rate, 2)
    moved, first = Analysis(rate, 2), Analysis(rate, 2)
    energy = loudest = 0.0
    identical = a.measured.n_frames == b.measured.n_frames and a.measured.n_channels == b.measured.n_channels
    for second, (x, y) in enumerate(laid.both(gain)):
        apart = x - y
        power = float(np.sum(apart**2))
        energy, loudest = energy + power, max(loudest, power / (2.0 * apart.shape[1]))
        identical = identical and not apart.any()
        meter.feed(apart, x)
        residual.feed(apart)
        moved.feed(y)
        first.feed(x)
        if differs[second]:
            where_apart[0].feed(x)
            where_apart[1].feed(y)
    left, bands_a, bands_b = (_bands(one) for one in (residual, first, moved))
    cut = abs(late) >= rate * CUT_S
    return Difference(
        one=a,
        other=b,
        offset_frames=late,
        gain_db=gain,
        residual_dbfs=gain_to_db(math.sqrt(energy / max(1, 2 * (part[1] - part[0])))),
        residual_lu=meter.lu(),
        by_second_lu=meter.by_step_lu(),
        loudest_second_dbfs=power_ratio_db(loudest, 1.0),
        by_band_db={hz: left[hz] - bands_a[hz] for hz in left if math.isfinite(bands_a.get(hz, -math.inf))},
        bands_db=bands_apart(bands_a, bands_b),
        moved_db=bands_apart(*(_bands(one) for one in where_apart)),
        aligned=aligned,
        image=known.image(),
        identical=identical and late == 0.0 and gain == 0.0,
        judged_s=(part[0] / rate, part[1] / rate) if cut else None,
    )


def _bands(analysis: Analysis) -> dict[str, float]:
    return analysis.result().third_octave_db or {}


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
