"""The impulse response of a box-shaped room: early reflections by image sources, a late part of shaped noise.

* Early: mirror images of the source up to order 2 (Allen and Berkley, JASA 65(4), 1979; formulas from memory): the
  delay of an image at distance d is d / c, its amplitude the product of the walls' reflection factors over d. Time 0
  is the arrival of the direct sound, and levels are relative to it. Fractional delays by a windowed sinc.
* Late: Gaussian noise in octave bands, each falling by 60 dB in its own decay time. Its energy against that of the
  direct sound is the diffuse field's, 16 pi r^2 / A with A = 24 ln(10) V / (c T) (Kuttruff, Room Acoustics).
* Absorption a and decay T of a band belong together by Eyring: T = 24 ln(10) / c * V / (-S ln(1 - a)).
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from chainrun.dsp.arrays import Array
from chainrun.dsp.eyring import SABINE, SPEED_OF_SOUND
from chainrun.dsp.fractional_delay import HALF_TAPS, sinc_taps, split_delay

OCTAVES_HZ = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
EARS_M = 0.34
"""Distance between the two microphones at a width of 100 %."""
LEAN = 0.4
"""How far the tail of a stereo signal's side lies on that side: 0 in the middle, 1 all of it."""
FLATTEN = 1.5
"""Length of that running level, in inverse bandwidths."""

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
    beta = math.sqrt(1.0 - float(np.mean(box.absorption())))
    places = []
    for place, count in images(source, box.size_m):
        if count:
            d = distance(place, microphone)
            angle = facing * (place[0] - microphone[0]) / d
            places.append((d, count, math.sqrt(2.0) * math.sin(math.pi / 4.0 * (1.0 + angle))))
    longest = max(d for d, *_ in places) - direct_m
    out = np.zeros(int(max(0.0, longest) / SPEED_OF_SOUND * rate_hz) + 4 * HALF_TAPS)
    for d, count, heard in places:
        whole, fraction = split_delay(max(0.0, (d - direct_m) / SPEED_OF_SOUND * rate_hz))
        taps = sinc_taps(fraction) * (heard * beta**count * direct_m / d)
        begin = whole - (HALF_TAPS - 1)
        skip = max(0, -begin)
        out[begin + skip : begin + taps.size] += taps[skip:]
    return out


def _levelled(noise: Array, width: int) -> Array:
    """Noise over its own running level: what chance makes louder or softer would tilt a short decay."""
    padded = np.concatenate([noise[-width:], noise, noise[:width]])
    sums = np.concatenate([[0.0], np.cumsum(padded**2)])
    half = width // 2
    power = (sums[2 * half + 1 :] - sums[: -2 * half - 1]) / (2 * half + 1)
    start = width - half
    flat: Array = noise / np.sqrt(power[start : start + noise.size])
    return flat


def band_noise(decay_s: tuple[float, ...], n_frames: int, rate_hz: int, random: np.random.Generator) -> Array:
    """Noise whose octave bands fall by 60 dB in their decay times, each of unit energy per band share at the start."""
    t = np.arange(n_frames) / rate_hz
    n = 1 << (n_frames - 1).bit_length()
    freqs = np.fft.rfftfreq(n, 1.0 / rate_hz)
    octave = np.log2(np.maximum(freqs, 1e-3) / OCTAVES_HZ[0])
    out = np.zeros(n_frames)
    last = len(decay_s) - 1
    for band, decay in enumerate(decay_s):
        # Crossfades between neighbours, a third of an octave wide around the band edges; the ends stay open.
        rise = np.clip((octave - (band - 0.5)) * 3.0 + 0.5, 0.0, 1.0) if band else np.ones(freqs.size)
        fall = np.clip(((band + 0.5) - octave) * 3.0 + 0.5, 0.0, 1.0) if band < last else np.ones(freqs.size)
        mask = np.sin(np.pi / 2.0 * np.minimum(rise, fall))
        noise = np.fft.irfft(np.fft.rfft(random.standard_normal(n)) * mask, n)
        level = float(np.std(noise))
        if level < 1e-12:  # the rate has no such band
            continue
        noise = level * _levelled(noise, math.ceil(FLATTEN / (0.7 * OCTAVES_HZ[band]) * rate_hz))[:n_frames]
        out += noise * np.exp(-3.0 * math.log(10.0) * t / decay)
    return out


def late(box: Box, direct_m: float, rate_hz: int, random: np.random.Generator) -> Array:
    """One channel of diffuse sound, relative to the direct sound."""
    n = int(1.25 * max(box.decay_s) * rate_hz) + 64
    noise = band_noise(box.decay_s, n, rate_hz, random)
    middle = float(np.median(box.decay_s))
    area = SABINE * box.volume / middle
    wanted = 16.0 * math.pi * direct_m**2 / area
    # White noise of variance 1 that decays with T has an energy of T / (6 ln 10) * rate; the octave sums keep that.
    energy = middle / (6.0 * math.log(10.0)) * rate_hz
    # Reflections grow into a diffuse field over about the square root of the volume, in milliseconds (common practice).
    mixing = math.sqrt(box.volume) / 1000.0 * rate_hz
    fade = np.sin(np.pi / 2.0 * np.minimum(1.0, np.arange(n) / mixing))
    response: Array = noise * fade * math.sqrt(wanted / energy)
    return response


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
    # One seed for all sources of a room: the same place sounds alike from either side.
    random = np.random.Generator(np.random.PCG64([setting.seed, 1 if side > 0.0 else 0]))
    common, opposed = late(box, direct_m, rate_hz, random), late(box, direct_m, rate_hz, random)
    c, o = shares(setting.width)
    tails = [c * common + o * opposed, c * common - o * opposed]
    facing = min(1.0, setting.width)
    if side:
        # The diffuse part leans to its source's side, at the same power.
        angle = math.pi / 4.0 * (1.0 + LEAN * facing * math.copysign(1.0, side))
        tails = [tails[0] * math.sqrt(2.0) * math.cos(angle), tails[1] * math.sqrt(2.0) * math.sin(angle)]
    firsts = [early(box, source, ear, rate_hz, direct_m, f) for ear, f in zip(ears, (-facing, facing), strict=True)]
    n = setting.predelay_frames + max(tails[0].size, *(first.size for first in firsts))
    out = np.zeros((2, n))
    for row, first, tail in zip(out, firsts, tails, strict=True):
        row[setting.predelay_frames : setting.predelay_frames + first.size] += setting.early_gain * first
        row[setting.predelay_frames : setting.predelay_frames + tail.size] += setting.late_gain * tail
    return out
