"""Measures how two sounds differ."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np

from chainrun.audiofile import read_header
from chainrun.comparison.image import ImageChange, image_changes, image_words
from chainrun.comparison.limits import MAX_BAND_DB, WORTH_DB, Floor
from chainrun.comparison.residual import ResidualMeter
from chainrun.comparison.sounds import MAX_S, AlignedStream, Sound, blocks, measure, offset_frames, rate_of
from chainrun.comparison.verdict import IDENTICAL, verdict
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
"""Residual energy of a second, as a share of its energy (-60 dB), up to which both sounds count as the same there."""
SAME_SECONDS = 0.1
"""Minimum share of seconds that are the same; the level is then matched on those alone."""
MIN_GAIN_DB = 1e-6
"""A smaller matching gain counts as 0 dB."""
CUT_S = 0.01
"""Minimum offset for which the compared part of A is reported."""


@dataclass(frozen=True)
class Difference:
    """The measured difference of sound B from sound A."""

    one: Sound
    other: Sound
    offset_frames: float
    """Delay of B against A in frames at A's rate; it was compensated."""
    gain_db: float
    """Gain applied to B to match A."""
    unweighted_residual_dbfs: float
    """RMS level of the difference signal, without K-weighting."""
    residual_lu: float
    """K-weighted residual against A."""
    by_second_lu: tuple[float, ...]
    """K-weighted residual of each second, against A's mean or that second of A, whichever is louder."""
    loudest_second_dbfs: float
    by_band_db: dict[str, float]
    """Third octaves of the residual, relative to A's."""
    bands_db: dict[str, float]
    """B's third octaves, matched in level, minus A's."""
    bands_where_it_differs_db: dict[str, float]
    """As `bands_db`, over those seconds alone that differ."""
    identical: bool
    aligned: bool
    """Whether a common sound was found to align B with A."""
    image: tuple[ImageChange, ...]
    """Changes of B's image: polarity, sides, width, balance."""
    compared_s: tuple[float, float] | None = None
    """The part of A that was compared, where an offset leaves ends of A without a counterpart."""

    def worst_band_db(self) -> float:
        """The largest change of any third octave that counts, as an absolute value."""
        return max((abs(db) for db in self.bands_db.values()), default=0.0)

    def notes(self) -> list[str]:
        """Sentences about the alignment and conversion of B, and about different lengths, channels and images."""
        a, b = self.one.measured, self.other.measured
        found = []
        if not self.aligned:
            found.append(f"no common sound found within {MAX_S:g} s: B was not aligned")
        found += [f"B {words}" for words in image_words(self.image)]
        if a.n_channels != b.n_channels:
            found.append("one file is mono, and was compared on both sides")
        if a.rate_hz != b.rate_hz:
            found.append(f"B was converted from {b.rate_hz} to {a.rate_hz} Hz")
        if a.rate_hz == b.rate_hz and a.n_frames != b.n_frames:
            more = b.n_frames - a.n_frames
            found.append(f"B is {abs(more)} frames {'longer' if more > 0 else 'shorter'} than A")
            found[-1] += "; the shorter one was padded with silence" if self.compared_s is None else ""
        if self.compared_s is not None:
            begin, end = self.compared_s
            found.append(f"compared from {begin:.2f} to {end:.2f} s of A, where both have sound")
        return found

    def inaudible(self, floor: Floor) -> bool:
        """Whether the difference is below `floor`, and counts as none."""
        loudest = max(self.by_second_lu, default=-math.inf)
        return self.identical or floor.holds(self.residual_lu, loudest, self.loudest_second_dbfs, self.worst_band_db())

    def sentence(self, floor: Floor | None = None) -> str:
        """The verdict in one sentence."""
        if self.identical:
            return IDENTICAL
        return verdict(
            inaudible=self.inaudible(floor or Floor()),
            bands_db=self.bands_where_it_differs_db or self.bands_db,
            by_second_lu=self.by_second_lu,
            residual_lu=self.residual_lu,
            floor=floor or Floor(),
            turned=image_words(self.image),
        )

    def record(self, labels: Sequence[str] | None = None) -> dict[str, object]:
        """The difference as a JSON object; `labels` replace the paths of the two files."""
        a, b = self.one.measured, self.other.measured
        return {
            "files": [
                {"file": label, "measured": measured_record(sound.measured)}
                for label, sound in zip(labels or self._paths(), (self.one, self.other), strict=True)
            ],
            "offset_frames": round(self.offset_frames, 3),
            "gain_db": round(self.gain_db, 3),
            "compared_s": [round(second, 3) for second in self.compared_s] if self.compared_s is not None else None,
            "identical": self.identical,
            "aligned": self.aligned,
            "image": image_words(self.image),
            "notes": self.notes(),
            "residual_lu": finite(self.residual_lu),
            "unweighted_residual_dbfs": finite(self.unweighted_residual_dbfs),
            "residual_by_second_lu": [finite(value, 1) for value in self.by_second_lu],
            "residual_by_band_db": {hz: finite(db, 1) for hz, db in self.by_band_db.items()},
            "third_octave_difference_db": {hz: finite(db) for hz, db in self.bands_db.items()},
            "third_octave_difference_where_it_differs_db": {
                hz: finite(db) for hz, db in self.bands_where_it_differs_db.items()
            },
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
    """Compare two files, B aligned in time and matched in loudness unless `match` is False. Raises AudioError."""
    for path in (one, other):
        if (channels := read_header(path).n_channels) > 2:
            raise AudioError(
                Problem(
                    "only mono and stereo files can be compared",
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
    """Energies and cross-products of both sounds, second by second."""

    def __init__(self, pairs: Iterator[tuple[Array, Array]]):
        rows = [
            (np.einsum("in,jn->ij", x, x), np.einsum("in,jn->ij", x, y), np.einsum("in,jn->ij", y, y)) for x, y in pairs
        ]
        empty = np.zeros((0, 2, 2))
        a, c, b = (np.array([row[k] for row in rows]) if rows else empty for k in range(3))
        self.xx, self.xy, self.yy = (np.trace(one, axis1=1, axis2=2) for one in (a, c, b))
        self._a, self._c, self._b = (one.sum(axis=0) for one in (a, c, b))
        """Products of each side with each, summed over the whole: within A, of A with B, within B."""

    def same_gain(self) -> float | None:
        """The gain in dB that matches B to A in those seconds that differ in level alone; None if there are too few."""
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
        """Whether each second differs after B got this gain."""
        g = db_to_gain(gain_db)
        left = self.xx - 2.0 * g * self.xy + g * g * self.yy
        against = np.maximum(self.xx, self.xx.mean() if self.xx.size else 0.0)
        return np.asarray(left > SAME_SHARE * against)

    def image(self) -> tuple[ImageChange, ...]:
        """The changes of B's image against A's."""
        return image_changes(self._a, self._c, self._b)


def _on_two(sound: Sound) -> float:
    """Loudness on two loudspeakers: a mono file is measured as one channel, but compared on both sides."""
    lufs = sound.measured.integrated_lufs
    return lufs + 10.0 * math.log10(2.0) if sound.measured.n_channels == 1 else lufs


@dataclass(frozen=True)
class _Laid:
    """Two sounds, aligned in time."""

    a: Sound
    b: Sound
    rate_hz: int
    late: float
    """Delay of B against A in frames."""

    @property
    def n_frames_b(self) -> int:
        """B's length at A's rate."""
        measured = self.b.measured
        return -(-measured.n_frames * self.rate_hz // measured.rate_hz)

    @cached_property
    def part(self) -> tuple[int, int]:
        """The frames of A that are compared: all of both, except ends that an offset leaves without a counterpart."""
        late = self.late
        ends = sorted((float(self.a.measured.n_frames), self.n_frames_b - late))
        begin = math.ceil(max(0.0, -late))
        end = math.floor(ends[0]) if late and ends[1] - ends[0] <= abs(late) + 1.0 else math.ceil(ends[1])
        return (begin, end) if end > begin else (0, math.ceil(ends[1]))

    def both(self, gain_db: float = 0.0, end: int | None = None) -> Iterator[tuple[Array, Array]]:
        """Both sounds, one second at a time, with a gain on B; up to the end of the part or to frame `end`."""
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
    """The gain in dB that makes B as loud as A, from the seconds that differ in level alone, else from the overlap."""
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
    """The difference of two aligned sounds, with a gain in dB on B."""
    a, b, rate, late, part = laid.a, laid.b, laid.rate_hz, laid.late, laid.part
    differs = known.differing(gain)
    where_apart = Analysis(rate, 2), Analysis(rate, 2)
    residual, meter = Analysis(rate, 2), ResidualMeter(rate, 2)
    matched, first = Analysis(rate, 2), Analysis(rate, 2)
    energy = loudest = 0.0
    identical = a.measured.n_frames == b.measured.n_frames and a.measured.n_channels == b.measured.n_channels
    for second, (x, y) in enumerate(laid.both(gain)):
        apart = x - y
        power = float(np.sum(apart**2))
        energy, loudest = energy + power, max(loudest, power / (2.0 * apart.shape[1]))
        identical = identical and not apart.any()
        meter.feed(apart, x)
        residual.feed(apart)
        matched.feed(y)
        first.feed(x)
        if differs[second]:
            where_apart[0].feed(x)
            where_apart[1].feed(y)
    left, bands_a, bands_b = (_bands(one) for one in (residual, first, matched))
    cut = abs(late) >= rate * CUT_S
    return Difference(
        one=a,
        other=b,
        offset_frames=late,
        gain_db=gain,
        unweighted_residual_dbfs=gain_to_db(math.sqrt(energy / max(1, 2 * (part[1] - part[0])))),
        residual_lu=meter.lu(),
        by_second_lu=meter.by_step_lu(),
        loudest_second_dbfs=power_ratio_db(loudest, 1.0),
        by_band_db={hz: left[hz] - bands_a[hz] for hz in left if math.isfinite(bands_a.get(hz, -math.inf))},
        bands_db=bands_apart(bands_a, bands_b),
        bands_where_it_differs_db=bands_apart(*(_bands(one) for one in where_apart)),
        aligned=aligned,
        image=known.image(),
        identical=identical and late == 0.0 and gain == 0.0,
        compared_s=(part[0] / rate, part[1] / rate) if cut else None,
    )


def _bands(analysis: Analysis) -> dict[str, float]:
    return analysis.result().third_octave_db or {}


def bands_apart(one: dict[str, float], other: dict[str, float]) -> dict[str, float]:
    """Third octaves of B minus those of A, where one of them is within 50 dB of the loudest."""
    top = max([*one.values(), *other.values()], default=-math.inf)
    if not math.isfinite(top):
        return {}
    found = {}
    for hz in one:
        a, b = one[hz], other.get(hz, -math.inf)
        if max(a, b) >= top - WORTH_DB:
            found[hz] = max(-MAX_BAND_DB, min(MAX_BAND_DB, b - a)) if math.isfinite(a) or math.isfinite(b) else 0.0
    return found


def band_array(bands: dict[str, float]) -> Array:
    """Levels in the order of the nominal frequencies; -200 dB for a missing band."""
    return np.array([bands.get(f"{hz:g}", -200.0) for hz in NOMINAL_HZ])
