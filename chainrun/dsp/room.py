"""The impulse response of a box-shaped room: early reflections by image sources, a late part of shaped noise.

* Early: mirror images of the source up to order 2 (Allen and Berkley, JASA 65(4), 1979; formulas from memory): the
  delay of an image at distance d is d / c, its amplitude the product of the walls' reflection factors over d. Time 0
  is the arrival of the direct sound, and levels are relative to it. Fractional delays by a windowed sinc.
  The walls' reflection factor differs from octave to octave: it is a short minimum-phase filter for each order.
* Late: noise in octave bands that decay on their own (`room_tail`). Its energy against that of the direct sound is the
  diffuse field's, 16 pi r^2 / A with A = 24 ln(10) V / (c T) (Kuttruff, Room Acoustics).
* Absorption a and decay T of a band belong together by Eyring: T = 24 ln(10) / c * V / (-S ln(1 - a)).
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from scipy.signal import sosfilt

from chainrun.dsp.arrays import Array
from chainrun.dsp.biquad import butterworth
from chainrun.dsp.eyring import SABINE, SPEED_OF_SOUND
from chainrun.dsp.fractional_delay import HALF_TAPS, sinc_taps, split_delay
from chainrun.dsp.room_tail import LONGEST_S, OCTAVES_HZ, decaying, few_swings, octave_pair, straightened

EARS_M = 0.34
"""Distance between the two microphones at a width of 100 %."""
LEAN = 0.4
"""How far the tail of a stereo signal's side lies on that side: 0 in the middle, 1 all of it."""
ATTEMPTS = 24
SHORTEST_HELD_S = 0.2
"""Shorter decays are drawn again so few times: a few milliseconds hold too little to be straightened."""
FEW_ATTEMPTS = 3
GOOD = 0.035
"""Octaves whose T20 or T30 are further off than this share are drawn again, so many times at most."""
EARLY_SHARE = 0.25
"""Reflections that come later than this share of the decay (15 dB down) are the tail's: in a large or long dead room
single ones would stick out of the decay."""
LONGEST_ONSET = 0.15
"""The tail has grown by then, as a share of the decay."""
WALL_FRAMES = 2048
"""Length of the walls' filters."""

Point = tuple[float, float, float]


@dataclass(frozen=True)
class Box:
    """A room: its size in metres, and the decay time of each octave band in seconds."""

    size_m: Point
    decay_s: tuple[float, ...]

    @property
    def volume(self) -> float:
        """In cubic metres."""
        return self.size_m[0] * self.size_m[1] * self.size_m[2]

    @property
    def surface(self) -> float:
        """In square metres."""
        x, y, z = self.size_m
        return 2.0 * (x * y + y * z + x * z)

    def absorption(self) -> Array:
        """Mean absorption of the walls in each band, from the decay."""
        return 1.0 - np.exp(-SABINE * self.volume / (self.surface * np.array(self.decay_s)))


def images(source: Point, size_m: Point, order: int = 2) -> list[tuple[Point, int]]:
    """Mirror images of a source up to an order, each with the number of walls on its way; the source is the first."""
    found = []
    for steps in itertools.product(range(-order, order + 1), repeat=3):
        count = sum(abs(step) for step in steps)
        if count <= order:
            place = tuple(
                step * length + (at if step % 2 == 0 else length - at)
                for step, at, length in zip(steps, source, size_m, strict=True)
            )
            found.append(((place[0], place[1], place[2]), count))
    found.sort(key=lambda one: one[1])
    return found


def distance(a: Point, b: Point) -> float:
    """In metres, at least 10 cm."""
    return max(0.1, math.dist(a, b))


def early(box: Box, source: Point, microphone: Point, rate_hz: int, direct_m: float, facing: float = 0.0) -> Array:
    """Reflections at one microphone, behind and relative to a direct sound of `direct_m`, which is left out.

    With `facing` from -1 (left) to 1 (right) the microphone hears what comes from that side louder than the rest, by
    the constant-power pan law over the sine of the azimuth; 0 hears all alike.
    """
    places = []
    last_m = direct_m + EARLY_SHARE * min(box.decay_s) * SPEED_OF_SOUND
    for place, count in images(source, box.size_m):
        d = distance(place, microphone)
        if count and d <= last_m:
            angle = facing * (place[0] - microphone[0]) / d
            places.append((d, count, math.sqrt(2.0) * math.sin(math.pi / 4.0 * (1.0 + angle))))
    longest = max((d for d, *_ in places), default=direct_m) - direct_m
    n = int(max(0.0, longest) / SPEED_OF_SOUND * rate_hz) + 4 * HALF_TAPS
    by_order = {count: np.zeros(n) for _, count, _ in places}
    for d, count, heard in places:
        whole, fraction = split_delay(max(0.0, (d - direct_m) / SPEED_OF_SOUND * rate_hz))
        taps = sinc_taps(fraction) * (heard * direct_m / d)
        begin = whole - (HALF_TAPS - 1)
        skip = max(0, -begin)
        by_order[count][begin + skip : begin + taps.size] += taps[skip:]
    beta = np.sqrt(1.0 - box.absorption())
    if np.ptp(beta) < 1e-12:
        return sum((beta[0] ** count * arrivals for count, arrivals in by_order.items()), np.zeros(n))
    return sum(
        (np.convolve(arrivals, wall_filter(beta**count, rate_hz)) for count, arrivals in by_order.items()),
        np.zeros(n + WALL_FRAMES - 1),
    )


def wall_filter(factors: Array, rate_hz: int) -> Array:
    """A minimum-phase filter with these amplitude factors at the octaves, straight lines in dB between them."""
    n = 2 * WALL_FRAMES
    freqs = np.maximum(np.fft.rfftfreq(n, 1.0 / rate_hz), 1.0)
    log_size = np.interp(np.log2(freqs), np.log2(OCTAVES_HZ), np.log(factors))
    cepstrum = np.fft.irfft(log_size, n)
    cepstrum[1 : n // 2] *= 2.0
    cepstrum[n // 2 + 1 :] = 0.0
    response: Array = np.fft.irfft(np.exp(np.fft.rfft(cepstrum)), n)[:WALL_FRAMES]
    return response


def tail_shape(box: Box, direct_m: float, rate_hz: int) -> tuple[Array, Array]:
    """What decaying noise is multiplied by: its level against the direct sound with its last fade, and its onset."""
    n = int(1.5 * max(box.decay_s) * rate_hz) + 64
    middle = float(np.median(box.decay_s))
    area = SABINE * box.volume / middle
    wanted = 16.0 * math.pi * direct_m**2 / area
    # White noise of variance 1 that decays with T has an energy of T / (6 ln 10) * rate; the octave sums keep that.
    energy = middle / (6.0 * math.log(10.0)) * rate_hz
    # Reflections grow into a diffuse field over about the square root of the volume, in milliseconds (common practice).
    mixing = min(math.sqrt(box.volume) / 1000.0, LONGEST_ONSET * min(box.decay_s)) * rate_hz
    onset = np.sin(np.pi / 2.0 * np.minimum(1.0, np.arange(n) / mixing))
    level = np.full(n, math.sqrt(wanted / energy))
    end = n // 20
    level[-end:] *= np.cos(np.pi / 2.0 * np.arange(end) / end)
    return level, onset


def shares(width: float) -> tuple[float, float]:
    """Shares of a common and an opposed noise in left and right: correlation 1 at width 0, 0 at 1, -0.5 at 2."""
    angle = min(width, 1.0) * math.pi / 4.0 + max(0.0, width - 1.0) * math.pi / 12.0
    return math.cos(angle), math.sin(angle)


@dataclass(frozen=True)
class Setting:
    """Where the source and the microphones stand, and how early and late part are balanced (amplitude factors)."""

    source: Point
    microphone: Point
    width: float
    early_gain: float
    late_gain: float
    predelay_frames: int
    seed: int


def stereo_response(box: Box, setting: Setting, rate_hz: int, side: float = 0.0) -> Array:
    """Left and right response, shape (2, n_frames), of a source moved by `side` metres along the width."""
    x, y, z = setting.source
    source = (min(max(x + side, 0.1), box.size_m[0] - 0.1), y, z)
    direct_m = distance(source, setting.microphone)
    mx, my, mz = setting.microphone
    half = EARS_M / 2.0 * setting.width
    ears = [(max(0.05, mx - half), my, mz), (min(box.size_m[0] - 0.05, mx + half), my, mz)]
    facing = min(1.0, setting.width)
    firsts = [early(box, source, ear, rate_hz, direct_m, f) for ear, f in zip(ears, (-facing, facing), strict=True)]
    firsts, tails = _tails(box, setting, rate_hz, side, direct_m, firsts)
    n = setting.predelay_frames + max(tails[0].size, *(first.size for first in firsts))
    out = np.zeros((2, n))
    for row, first, tail in zip(out, firsts, tails, strict=True):
        row[setting.predelay_frames : setting.predelay_frames + first.size] += setting.early_gain * first
        row[setting.predelay_frames : setting.predelay_frames + tail.size] += setting.late_gain * tail
    return out


def _tails(
    box: Box, setting: Setting, rate_hz: int, side: float, direct_m: float, firsts: list[Array]
) -> tuple[list[Array], list[Array]]:
    """Reflections and diffuse part, left and right.

    Where an octave holds only a few swings, the tail takes it over from the first reflection on. Octaves that chance
    lets decay too crookedly are drawn again.
    """
    level, onset = tail_shape(box, direct_m, rate_hz)
    octaves = range(len(box.decay_s))
    taken = [octave for octave in octaves if few_swings(octave, box.decay_s[octave])]
    parted = [_above(first, OCTAVES_HZ[max(taken)] * math.sqrt(2.0), rate_hz) for first in firsts] if taken else firsts
    facing = min(1.0, setting.width)
    c, o = shares(setting.width)
    # The diffuse part leans to its source's side, at the same power.
    angle = math.pi / 4.0 * (1.0 + LEAN * facing * math.copysign(1.0, side)) if side else math.pi / 4.0
    leans = (math.sqrt(2.0) * math.cos(angle), math.sqrt(2.0) * math.sin(angle))

    def draw(octave: int, attempt: int) -> list[Array]:
        """The octave's tail left and right."""
        # The seeds of the sides differ: what left and right of a stereo signal make of the room is not the same noise.
        random = np.random.Generator(np.random.PCG64([setting.seed, 1 if side > 0.0 else 0, octave, attempt]))
        decay = box.decay_s[octave]
        common, opposed = octave_pair(octave, decay, level.size, rate_hz, random)
        shape = level if octave in taken else level * onset
        return [
            lean * shape * decaying(octave, c * common + sign * o * opposed, decay, level.size, rate_hz)
            for lean, sign in zip(leans, (1.0, -1.0), strict=True)
        ]

    def measured(drawn: list[list[Array]]) -> tuple[list[Array], Array]:
        made = [
            straightened(part, np.stack([octave[ear] for octave in drawn]), box.decay_s, rate_hz, first)
            for ear, (part, first) in enumerate(zip(parted, firsts, strict=True))
        ]
        return [tail for tail, _ in made], np.max([errors for _, errors in made], axis=0)

    drawn = [draw(octave, 0) for octave in octaves]
    if max(box.decay_s) > LONGEST_S:
        return firsts, [np.sum([octave[ear] for octave in drawn], axis=0) for ear in (0, 1)]
    best, least = firsts, math.inf
    attempts = ATTEMPTS if min(box.decay_s) >= SHORTEST_HELD_S else FEW_ATTEMPTS
    for attempt in range(1, attempts + 1):
        tails, errors = measured(drawn)
        if float(errors.max()) < least:
            best, least = tails, float(errors.max())
        if least < GOOD:
            break
        for octave in np.flatnonzero(errors >= GOOD).tolist():
            drawn[octave] = draw(octave, attempt)
    return parted, best


def _above(x: Array, freq_hz: float, rate_hz: int) -> Array:
    """What lies above a frequency (Butterworth, 24 dB per octave)."""
    passed: Array = sosfilt(butterworth(4, freq_hz, rate_hz, high=True), x)
    return passed
