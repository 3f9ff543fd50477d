"""Impulse response of a box-shaped room: early reflections from image sources, late tail of shaped noise.

* Early: mirror images of the source up to order 2 (Allen and Berkley, JASA 65(4), 1979): the delay of an image at
  distance d is d / c, its amplitude the product of the walls' reflection factors divided by d. Time 0 is the arrival of
  the direct sound, and levels are relative to it. Fractional delays use a windowed sinc.
  The walls' reflection factor differs from octave to octave: one short minimum-phase filter per order.
* Late: noise in octave bands, each with its own decay (`room_tail`). Its energy relative to the direct sound is that
  of the diffuse field, 16 pi r^2 / A with A = 24 ln(10) V / (c T) (Kuttruff, Room Acoustics).
* Absorption a and decay T of a band are related by Eyring: T = 24 ln(10) / c * V / (-S ln(1 - a)).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy.signal import sosfilt

from chainrun.dsp.arrays import Array
from chainrun.dsp.balance_of_sides import balancing_filters, filtered
from chainrun.dsp.biquad import butterworth
from chainrun.dsp.eyring import SABINE, SPEED_OF_SOUND
from chainrun.dsp.fractional_delay import HALF_TAPS, sinc_taps, split_delay
from chainrun.dsp.pink import pink_energy
from chainrun.dsp.room_decay import OCTAVES_HZ, OctaveDecay, expected
from chainrun.dsp.room_tail import MAX_STRAIGHTENED_S, decay_times, decaying, few_swings, octave_pair, straightened

EARS_M = 0.34
"""Distance between the two microphones at a width of 100 %."""
LEAN = 0.7
"""How far the room of a source at one side shifts to that side: 0 not at all, 1 wholly. Less in narrow rooms."""
GOOD = 0.045
"""Octaves whose T20 or T30 is off by more than this share are drawn again."""
MAX_ATTEMPTS = 14
"""Maximum number of such draws."""
SHORT_DECAY_S = 0.2
"""Decays shorter than this get only FEW_ATTEMPTS: a few milliseconds hold too little to be straightened."""
FEW_ATTEMPTS = 3
MIDDLE_M = 0.01
"""A source this near to the microphone's middle counts as in the middle: its room is balanced."""
EARLY_SHARE = 0.25
"""Reflections later than this share of the decay (15 dB down) belong to the tail: in a large or long dead room
single ones would stick out of the decay."""
MAX_ONSET = 0.15
"""Maximum time in which the tail grows to its full level, as a share of the decay."""
WALL_FRAMES = 2048
"""Length of the walls' filters."""

Point = tuple[float, float, float]


@dataclass(frozen=True)
class Box:
    """Box-shaped room: its size in metres, and the decay time of each octave band in seconds."""

    size_m: Point
    decay_s: tuple[float, ...]

    @property
    def volume(self) -> float:
        """Volume in cubic metres."""
        return self.size_m[0] * self.size_m[1] * self.size_m[2]

    @property
    def surface(self) -> float:
        """Area of the walls in square metres."""
        x, y, z = self.size_m
        return 2.0 * (x * y + y * z + x * z)

    def absorption(self) -> Array:
        """Mean absorption of the walls in each band (0 … 1), from the decay."""
        return 1.0 - np.exp(-SABINE * self.volume / (self.surface * np.array(self.decay_s)))


def images(source: Point, size_m: Point, order: int = 2) -> list[tuple[Point, int]]:
    """Mirror images of a source up to an order, each with its number of reflections; the source itself comes first."""
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
    """Distance in metres, at least 10 cm."""
    return max(0.1, math.dist(a, b))


def early(box: Box, source: Point, microphone: Point, rate_hz: int, *, direct_m: float, facing: float = 0.0) -> Array:
    """Reflections at one microphone, shape (n_frames,), without the direct sound.

    Time and level are relative to a direct sound at the distance `direct_m`. With `facing` from -1 (left) to 1 (right)
    sound from that side is louder, by the constant-power pan law over the sine of the azimuth; with 0 all directions
    are equal.
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
    for d, count, gain in places:
        whole, fraction = split_delay(max(0.0, (d - direct_m) / SPEED_OF_SOUND * rate_hz))
        taps = sinc_taps(fraction) * (gain * direct_m / d)
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
    """Minimum-phase filter with these amplitude factors at the octaves, linear in dB between them."""
    n = 2 * WALL_FRAMES
    freqs = np.maximum(np.fft.rfftfreq(n, 1.0 / rate_hz), 1.0)
    log_size = np.interp(np.log2(freqs), np.log2(OCTAVES_HZ), np.log(factors))
    cepstrum = np.fft.irfft(log_size, n)
    cepstrum[1 : n // 2] *= 2.0
    cepstrum[n // 2 + 1 :] = 0.0
    impulse_response: Array = np.fft.irfft(np.exp(np.fft.rfft(cepstrum)), n)[:WALL_FRAMES]
    return impulse_response


def tail_shape(box: Box, direct_m: float, rate_hz: int) -> tuple[Array, Array]:
    """Gains for decaying noise, shape (n_frames,): level relative to the direct sound with a final fade, and onset."""
    n = int(1.5 * max(box.decay_s) * rate_hz) + 64
    middle = float(np.median(box.decay_s))
    area = SABINE * box.volume / middle
    wanted = 16.0 * math.pi * direct_m**2 / area
    # White noise of variance 1 that decays with T has an energy of T / (6 ln 10) * rate; the octave sums keep that.
    energy = middle / (6.0 * math.log(10.0)) * rate_hz
    # Reflections grow into a diffuse field over about the square root of the volume, in milliseconds (common practice).
    mixing = min(math.sqrt(box.volume) / 1000.0, MAX_ONSET * min(box.decay_s)) * rate_hz
    onset = np.sin(np.pi / 2.0 * np.minimum(1.0, np.arange(n) / mixing))
    level = np.full(n, math.sqrt(wanted / energy))
    end = n // 20
    level[-end:] *= np.cos(np.pi / 2.0 * np.arange(end) / end)
    return level, onset


def coherence(freqs_hz: Array, width: float) -> Array:
    """Correlation of the diffuse part left and right, as for two microphones in a diffuse field: 1 in the bass.

    The first lobe of sin(k d) / (k d) for microphones d apart, k = 2 pi f / c (Cook et al., JASA 27(6), 1955). Above
    it the correlation depends on the width alone: 1 at width 0, 0 at 1, -0.5 at 2.
    """
    angle = min(width, 1.0) * math.pi / 4.0 + max(0.0, width - 1.0) * math.pi / 12.0
    high = math.cos(angle) ** 2 - math.sin(angle) ** 2
    apart = 2.0 * freqs_hz * EARS_M * width / SPEED_OF_SOUND
    near = np.where(apart < 1.0, np.sinc(apart), 0.0)
    together: Array = high + (1.0 - high) * near
    return together


@dataclass(frozen=True)
class Setting:
    """Places of source and microphones, and levels of the room's parts (amplitude factors)."""

    source: Point
    microphone: Point
    width: float
    early_gain: float
    late_gain: float
    predelay_frames: int
    seed: int
    pink_energy: float | None = None
    """Energy that the room makes of pink noise of energy 1 with both parts at 0 dB; None: as in the real room."""
    wet_gain: float = 1.0


@dataclass(frozen=True)
class MadeRoom:
    """Responses of a room, and the decay times of its octaves."""

    impulse_responses: list[Array]
    """For each input the response at left and right, shape (2, n_frames)."""
    t20_s: Array
    t30_s: Array
    """For each octave the decay furthest from the one requested, in seconds."""


def make_room(box: Box, setting: Setting, rate_hz: int, sides: Sequence[float]) -> MadeRoom:
    """Responses of a source moved by each of `sides`, in metres along the width.

    A source in the middle is equally loud on both sides in every third octave; a source at one side stays there.
    Octaves whose random noise decays too unevenly are drawn again, except those that their neighbours outlast
    (`room_decay`). Decays over MAX_STRAIGHTENED_S are not corrected: chance is small there. If the energy is held,
    inputs count as independent: the energies of their responses add up.
    """
    decays = expected(box.decay_s)
    targets = np.array([[one.t20_s, one.t30_s] for one in decays])
    held = max(box.decay_s) <= MAX_STRAIGHTENED_S
    in_the_middle = abs(setting.source[0] - setting.microphone[0]) < MIDDLE_M
    balance = (setting.early_gain, setting.late_gain)
    parts = [_Part(box, setting, rate_hz, side, decays) for side in sides]
    for part in parts:
        # A room of held energy is drawn with both parts at 0 dB: otherwise their balance would select another noise,
        # whose energy differs by chance.
        part.gains = balance if setting.pink_energy is None else (1.0, 1.0)
    made, times = _drawn(parts, box, rate_hz, in_the_middle)
    gain = setting.wet_gain
    if setting.pink_energy is not None:
        gain *= math.sqrt(setting.pink_energy * len(made) / sum(pink_energy(one, rate_hz) for one in made))
        if balance != (1.0, 1.0):
            for part in parts:
                part.gains = balance
            made = _made(parts, rate_hz, held, in_the_middle)
            times = _worst(_times(made, decays, rate_hz), targets)
    if gain != 1.0:
        made = [gain * one for one in made]
    before = np.zeros((2, setting.predelay_frames))
    return MadeRoom([np.concatenate([before, one], axis=1) for one in made], times[:, 0], times[:, 1])


def _drawn(parts: Sequence[_Part], box: Box, rate_hz: int, in_the_middle: bool) -> tuple[list[Array], Array]:
    """Responses of the draw that decays best, and its decay times, shape (8, 2); the parts keep that draw."""
    decays = expected(box.decay_s)
    held = max(box.decay_s) <= MAX_STRAIGHTENED_S
    straight = np.array([one.is_asked for one in decays])
    targets = np.array([[one.t20_s, one.t30_s] for one in decays])
    attempts = (MAX_ATTEMPTS if min(box.decay_s) >= SHORT_DECAY_S else FEW_ATTEMPTS) if held else 1
    best: list[Array] = []
    best_drawn: list[Array] = []
    min_error, times = math.inf, targets
    # The best draw of each octave is kept, and only octaves that are not good enough are drawn again.
    kept = [part.drawn.copy() for part in parts]
    known = np.full((len(parts), len(decays)), np.inf)
    for attempt in range(1, attempts + 2):
        made = _made(parts, rate_hz, held, in_the_middle)
        found = _times(made, decays, rate_hz)
        errors = np.where(straight, np.abs(found / targets - 1.0).max(axis=(1, 3)), 0.0)  # one row per input
        if float(errors.max()) < min_error:
            best, min_error, times = made, float(errors.max()), _worst(found, targets)
            best_drawn = [part.drawn.copy() for part in parts]
        if min_error < GOOD or attempt > attempts:
            break
        for part, row, own, draws in zip(parts, errors, known, kept, strict=True):
            better = row < own
            own[better], draws[better] = row[better], part.drawn[better]
            part.drawn[:] = draws
            if attempt < attempts:  # the last round combines the best draws
                part.draw_again(np.flatnonzero(own >= GOOD).tolist(), attempt)
    for part, drawn in zip(parts, best_drawn, strict=True):
        part.drawn[:] = drawn
    return best, times


def _times(made: Sequence[Array], decays: Sequence[OctaveDecay], rate_hz: int) -> Array:
    """T20 and T30 in seconds, shape (n_inputs, 2 sides, 8 octaves, 2)."""
    return np.array([[decay_times(ear, decays, rate_hz) for ear in one] for one in made])


def _worst(times: Array, targets: Array) -> Array:
    """Decay times of each octave that are furthest from their targets, shape (8, 2)."""
    rows = times.reshape(-1, *targets.shape)
    worst = np.abs(np.log(rows / targets)).argmax(axis=0)
    return np.asarray(np.take_along_axis(rows, worst[None], axis=0)[0])


def _made(parts: Sequence[_Part], rate_hz: int, held: bool, in_the_middle: bool) -> list[Array]:
    """Response of each part from its draws: straightened if `held`, and balanced if the source is in the middle."""
    bands = [part.straightened(part.firsts, part.drawn) if held else part.drawn for part in parts]
    made = [part.sum(part.firsts, some) for part, some in zip(parts, bands, strict=True)]
    if not in_the_middle:
        return made
    filters = balancing_filters(made, rate_hz)
    if filters is None:
        return made
    if held:  # the filters change the decays a little, so they are straightened again
        firsts = [filtered(part.firsts, filters) for part in parts]
        bands = [
            part.straightened(first, filtered(some, filters))
            for part, first, some in zip(parts, firsts, bands, strict=True)
        ]
        made = [part.sum(first, some) for part, first, some in zip(parts, firsts, bands, strict=True)]
        filters = balancing_filters(made, rate_hz)
    return made if filters is None else [filtered(one, filters) for one in made]


def _lean(setting: Setting, side: float) -> tuple[float, float]:
    """Amplitude factors of the room left and right, of constant power: larger on the source's side."""
    if side:
        toward = math.copysign(1.0, side)
    else:
        apart = setting.source[0] - setting.microphone[0]
        toward = apart / distance(setting.source, setting.microphone) if abs(apart) >= MIDDLE_M else 0.0
    angle = math.pi / 4.0 * (1.0 + LEAN * math.sqrt(min(1.0, setting.width)) * toward)
    return math.sqrt(2.0) * math.cos(angle), math.sqrt(2.0) * math.sin(angle)


class _Part:
    """Room of one input while it is made: its reflections, and the bands of its tail, left and right."""

    def __init__(self, box: Box, setting: Setting, rate_hz: int, side: float, decays: Sequence[OctaveDecay]):
        self._box, self._setting, self._rate, self._side, self._decays = box, setting, rate_hz, side, decays
        x, y, z = setting.source
        source = (min(max(x + side, 0.1), box.size_m[0] - 0.1), y, z)
        direct_m = distance(source, setting.microphone)
        mx, my, mz = setting.microphone
        half = EARS_M / 2.0 * setting.width
        ears = [(max(0.05, mx - half), my, mz), (min(box.size_m[0] - 0.05, mx + half), my, mz)]
        facing = min(1.0, setting.width)
        self._leans = _lean(setting, side)
        self._level, self._onset = tail_shape(box, direct_m, rate_hz)
        firsts = [
            lean * early(box, source, ear, rate_hz, direct_m=direct_m, facing=f)
            for lean, ear, f in zip(self._leans, ears, (-facing, facing), strict=True)
        ]
        n = max(self._level.size, *(first.size for first in firsts))
        # An octave with only a few periods in its decay comes wholly from the tail, from the first reflection on.
        octaves = range(len(box.decay_s))
        self._taken = [octave for octave in octaves if few_swings(octave, box.decay_s[octave])]
        self._from_hz = OCTAVES_HZ[max(self._taken)] * math.sqrt(2.0) if self._taken else 0.0
        self.firsts = np.stack([np.pad(first, (0, n - first.size)) for first in firsts])
        self.gains = (1.0, 1.0)
        """Amplitude factors of the reflections and the tail."""
        self._n = n
        self.drawn = np.zeros((len(octaves), 2, n))
        """Bands of the tail, left and right, shape (n_octaves, 2, n_frames)."""
        self.draw_again(octaves, 0)

    def draw_again(self, octaves: Sequence[int], attempt: int) -> None:
        """Draw the noise of these octaves again."""
        for octave in octaves:
            # The seeds of the sides differ: left and right of a stereo signal have different responses.
            seed = [self._setting.seed, 1 if self._side > 0.0 else 0, octave, attempt]
            random = np.random.Generator(np.random.PCG64(seed))
            decay, length, width = self._box.decay_s[octave], self._level.size, self._setting.width
            pair = octave_pair(
                octave, decay, length, self._rate, random=random, coherence=partial(coherence, width=width)
            )
            shape = self._level if octave in self._taken else self._level * self._onset
            for ear in (0, 1):
                made = self._leans[ear] * shape * decaying(octave, pair[ear], decay, length, self._rate)
                self.drawn[octave, ear, :length] = made

    def straightened(self, firsts: Array, bands: Array) -> Array:
        """Bands, shape (8, 2, n), corrected to decay as requested together with the reflections."""
        parted = self._without_low(firsts)
        sides = [straightened(parted[e], bands[:, e], self._decays, self._rate, firsts[e]) for e in (0, 1)]
        return np.stack(sides, axis=1)

    def sum(self, firsts: Array, bands: Array) -> Array:
        """Reflections and tail together, shape (2, n)."""
        held = self._without_low(firsts) if max(self._box.decay_s) <= MAX_STRAIGHTENED_S else firsts
        total: Array = self.gains[0] * held + self.gains[1] * bands.sum(axis=0)
        return total

    def _without_low(self, firsts: Array) -> Array:
        if not self._from_hz:
            return firsts
        return np.stack([_above(first, self._from_hz, self._rate) for first in firsts])


def _above(x: Array, freq_hz: float, rate_hz: int) -> Array:
    """High-pass x at a frequency (Butterworth, 24 dB per octave)."""
    passed: Array = sosfilt(butterworth(4, freq_hz, rate_hz, high=True), x)
    return passed
