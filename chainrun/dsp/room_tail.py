"""Diffuse tail of a room: noise in octave bands, corrected to decay as requested.

Random noise does not decay evenly: around 63 Hz a fifth of a second holds only a dozen periods. So the bands are
levelled before they decay. Then the whole response, early reflections included, is measured octave by octave as in
ISO 3382 (Schroeder, "New method of measuring reverberation time", JASA 37, 1965: remaining energy over time), and each
band's gain over time is corrected until the energies in stretches of 5 dB, down to -40 dB, are those of the expected
decay.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from chainrun.dsp.arrays import Array
from chainrun.dsp.room_decay import LEVELS_DB, OCTAVES_HZ, OctaveDecay, band_mask

Complex = NDArray[np.complex128]
FLATTEN = 1.5
"""Window of the running level that noise is divided by, in inverse bandwidths."""
FEW_SWINGS = 22.0
"""Bandwidth times decay below which levelled noise still decays unevenly."""
QUARTER_TURN_HZ = 250.0
"""Up to this octave both sides should be nearly the same; independent noises would be unequally loud by chance."""
MAX_ROUNDS = 30
TOLERANCE = 0.02
"""T20 and T30 within this share of the target are good enough."""
MAX_STRAIGHTENED_S = 4.0
"""Longer decays are not corrected: their random deviations are small."""
MAX_CORRECTION = 8.0
"""Maximum correction, as a factor."""


def _levelled(noise: Array, width: int) -> Array:
    """Noise divided by its own running level, whose random changes would tilt a short decay."""
    padded = np.concatenate([noise[-width:], noise, noise[:width]])
    sums = np.concatenate([[0.0], np.cumsum(padded**2)])
    half = width // 2
    power = (sums[2 * half + 1 :] - sums[: -2 * half - 1]) / (2 * half + 1)
    start = width - half
    flat: Array = noise / np.sqrt(power[start : start + noise.size])
    return flat


def _wandering(freq_hz: float, n_frames: int, rate_hz: int, random: np.random.Generator) -> Array:
    """Two waves 90 degrees apart, of variance 1, shape (2, n_frames), whose frequency varies at random in an octave."""
    step_s = 2.0 / freq_hz
    points = random.uniform(-0.4, 0.4, int(n_frames / rate_hz / step_s) + 2)
    place = np.interp(np.arange(n_frames) / rate_hz, np.arange(points.size) * step_s, points)
    phase = 2.0 * math.pi * (np.cumsum(freq_hz / rate_hz * 2.0**place) + random.uniform())
    waves: Array = math.sqrt(2.0) * np.stack([np.cos(phase), np.sin(phase)])
    return waves


def few_swings(band: int, decay_s: float) -> bool:
    """Whether the octave's bandwidth times its decay is so small that even levelled noise decays unevenly."""
    return 0.7 * OCTAVES_HZ[band] * decay_s < FEW_SWINGS


def _mask(band: int, n: int, rate_hz: int) -> Array:
    """Amplitude of an octave's noise at the frequencies of a transform of n points."""
    freqs = np.fft.rfftfreq(n, 1.0 / rate_hz)
    return band_mask(band, np.log2(np.maximum(freqs, 1e-3) / OCTAVES_HZ[0]))


def octave_pair(
    band: int,
    decay_s: float,
    n_frames: int,
    rate_hz: int,
    *,
    random: np.random.Generator,
    coherence: Callable[[Array], Array],
) -> Array:
    """Noise of one octave left and right, shape (2, at least n_frames); the octaves sum to white noise of variance 1.

    `coherence` gives the correlation of the sides at frequencies in Hz. If `few_swings`, a wandering wave and its copy
    turned by 90 degrees replace the noise. Zero if the rate has no such octave.
    """
    n = 1 << (n_frames - 1).bit_length()
    mask = _mask(band, n, rate_hz)
    if few_swings(band, decay_s):
        share = math.sqrt(float(np.mean(mask**2)))
        common, opposed = share * _wandering(OCTAVES_HZ[band], n_frames, rate_hz, random)
        together = float(coherence(np.array([OCTAVES_HZ[band]]))[0])
        c, o = math.sqrt((1.0 + together) / 2.0), math.sqrt((1.0 - together) / 2.0)
        return np.stack([c * common + o * opposed, c * common - o * opposed])
    sides = np.fft.rfft(random.standard_normal((2, n))) * mask
    if OCTAVES_HZ[band] <= QUARTER_TURN_HZ:
        # The second noise is the first one turned by 90 degrees: uncorrelated, and always as loud on both sides.
        sides[1] = -1j * sides[0]
    over = coherence(np.asarray(np.fft.rfftfreq(n, 1.0 / rate_hz), dtype=np.float64))
    common, opposed = sides[0] * np.sqrt((1.0 + over) / 2.0), sides[1] * np.sqrt((1.0 - over) / 2.0)
    pair: Array = np.fft.irfft(np.stack([common + opposed, common - opposed]), n)
    return pair


def decaying(band: int, noise: Array, decay_s: float, n_frames: int, rate_hz: int) -> Array:
    """Level one octave's noise (its mean level stays), cut it to n_frames and let it fall by 60 dB in `decay_s`."""
    level = float(np.std(noise))
    if level < 1e-12:
        return np.zeros(n_frames)
    if not few_swings(band, decay_s):
        noise = level * _levelled(noise, math.ceil(FLATTEN / (0.7 * OCTAVES_HZ[band]) * rate_hz))
        # Levelling spreads an octave into its neighbours, which it would outlast.
        inside: Array = np.where(_mask(band, noise.size, rate_hz) > 0.0, 1.0, 0.0)
        noise = np.fft.irfft(np.fft.rfft(noise) * inside, noise.size)
    fallen: Array = noise[:n_frames] * np.exp(-3.0 * math.log(10.0) / (decay_s * rate_hz) * np.arange(n_frames))
    return fallen


def straightened(early: Array, bands: Array, decays: Sequence[OctaveDecay], rate_hz: int, whole: Array) -> Array:
    """Bands of a tail, shape (8, n_frames), corrected so that their sum with `early` decays as `decays` says.

    The energy of each octave becomes that of the uncorrected tail plus the reflections `whole`, which may have more
    bass than `early`.
    """
    n = bands.shape[1]
    size = 1 << (max(n, early.size) + int(0.3 * rate_hz) - 1).bit_length()
    octaves = [
        _Octave(freq, decay, n, size, rate_hz)
        for freq, decay in zip(OCTAVES_HZ, decays, strict=True)
        if freq < 0.3 * rate_hz
    ]
    t = np.arange(n) / rate_hz
    gains = np.zeros((len(octaves), len(LEVELS_DB)))  # natural logarithms, at the middles of the stretches
    best, errors = gains.copy(), np.full(len(octaves), np.inf)

    def corrected() -> Array:
        made = bands.copy()
        for band, octave in enumerate(octaves):
            made[band] *= np.exp(np.interp(t, octave.middles, gains[band]))
        return made

    natural = np.fft.rfft(whole, size) + np.fft.rfft(bands.sum(axis=0), size)
    for octave in octaves:
        octave.take_energy(natural)
    before = np.fft.rfft(early, size)
    for _ in range(MAX_ROUNDS):
        spectrum = before + np.fft.rfft(corrected().sum(axis=0), size)
        for band, octave in enumerate(octaves):
            to_come = octave.to_come(spectrum)
            error = octave.error(to_come)
            if error < errors[band]:
                errors[band], best[band] = error, gains[band]
            gains[band] = np.clip(
                gains[band] + octave.step(to_come), -math.log(MAX_CORRECTION), math.log(MAX_CORRECTION)
            )
        if float(errors.max()) < TOLERANCE:
            break
    gains = best
    return corrected()


def decay_times(impulse_response: Array, decays: Sequence[OctaveDecay], rate_hz: int) -> Array:
    """T20 and T30 of each octave of a response, shape (8, 2), in seconds; the expected ones above the rate's range."""
    n = impulse_response.size
    size = 1 << (n + int(0.3 * rate_hz) - 1).bit_length()
    spectrum = np.fft.rfft(impulse_response, size)
    found = np.array([[one.t20_s, one.t30_s] for one in decays])
    for band, (freq, decay) in enumerate(zip(OCTAVES_HZ, decays, strict=True)):
        if freq < 0.3 * rate_hz:
            octave = _Octave(freq, decay, n, size, rate_hz)
            found[band] = octave.decay_times(octave.to_come(spectrum))
    return found


class _Octave:
    """One octave of a long spectrum, measured as in ISO 3382: remaining energy after a time-reversed band-pass."""

    def __init__(self, freq_hz: float, decay: OctaveDecay, n_frames: int, size: int, rate_hz: int):
        from scipy.signal import butter, sosfreqz

        edges_hz = [freq_hz / math.sqrt(2.0), min(freq_hz * math.sqrt(2.0), 0.45 * rate_hz)]
        freqs = np.fft.rfftfreq(size, 1.0 / rate_hz)
        self._last = int(np.searchsorted(freqs, freq_hz * 4.0))
        self._points = min(size, 1 << max(6, (8 * self._last - 1).bit_length()))
        sections = butter(4, edges_hz, "bandpass", fs=rate_hz, output="sos")
        self._weights = np.conj(sosfreqz(sections, freqs[: self._last], fs=rate_hz)[1])
        self._inside = n_frames * self._points // size
        self._point_s = size / rate_hz / self._points
        edges = decay.times_s
        self._edges = np.minimum(np.rint(edges / self._point_s).astype(int), self._inside)
        self._decay = decay
        self._energy = 1.0
        self._lean = np.zeros(2)
        self.middles = (edges[:-1] + edges[1:]) / 2.0

    def to_come(self, spectrum: Complex) -> Array:
        """Remaining energy from each point on."""
        power = np.fft.irfft(spectrum[: self._last] * self._weights, self._points)[: self._inside] ** 2
        left: Array = np.append(np.cumsum(power[::-1])[::-1], 0.0)
        return left

    def take_energy(self, spectrum: Complex) -> None:
        """Take the octave's energy in this spectrum as the energy to keep."""
        self._energy = float(self.to_come(spectrum)[0])

    def error(self, to_come: Array) -> float:
        """Larger deviation of T20 and T30 from their targets, as a share."""
        t20, t30 = self.decay_times(to_come)
        off = np.array([t20 / self._decay.t20_s, t30 / self._decay.t30_s])
        # The target is tilted against the deviation, so that the fitted lines come out right, not only the stretches.
        self._lean += 0.3 * np.log(off)
        self._lean = np.clip(self._lean, -0.5, 0.5)
        return float(np.abs(off - 1.0).max())

    def step(self, to_come: Array) -> Array:
        """Change of the stretches' gains for the next round (natural logarithms)."""
        steeper = np.exp(np.where(np.array(LEVELS_DB) < 20.0, self._lean[0], self._lean[1]))
        fall = np.diff(self._decay.levels_db) * steeper
        level = np.concatenate([[0.0], np.cumsum(fall)])[:-1]
        left = 10.0 ** (-level / 10.0)
        wanted = (left - np.append(left[1:], 0.0)) * self._energy
        found = -np.diff(to_come[self._edges])
        move: Array = 0.4 * np.log(np.maximum(wanted, 1e-30) / np.maximum(found, 1e-30))
        return move

    def decay_times(self, to_come: Array) -> tuple[float, float]:
        """T20 and T30 in seconds."""
        level = 10.0 * np.log10(to_come / max(to_come[0], 1e-300) + 1e-30)
        found = []
        for low in (-25.0, -35.0):
            part = np.flatnonzero((level <= -5.0) & (level >= low))
            x = part - part.mean() if part.size else part
            fall = -float(x @ level[part]) / max(float(x @ x), 1e-9)
            found.append(60.0 * self._point_s / max(fall, 1e-9))
        return found[0], found[1]
