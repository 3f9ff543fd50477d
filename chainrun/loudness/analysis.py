"""Streaming analysis of a signal: loudness, RMS level, crest, DC, noise floor, stereo image, third octaves."""

from __future__ import annotations

import math
from array import array
from dataclasses import replace

import numpy as np

from chainrun.dsp.arrays import Array, silence
from chainrun.loudness.meter import Meter
from chainrun.measured import Measured
from chainrun.units import gain_to_db

FRAMES_PER_SPECTRUM = 1 << 15
NOMINAL_HZ = (
    16, 20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500,
    3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000, 20000,
)  # fmt: skip
"""Nominal frequencies of the third octaves (ISO 266:1997)."""
FIRST_BAND = -18
"""x of the exact centre 1000 G^(x/3), G = 10^0.3, of the first nominal frequency (IEC 61260-1:2014)."""
QUIET_SHARE = 0.01
"""Share of the 100 ms hops that may be below the noise floor."""


class Analysis:
    """All readings of a signal, fed in blocks of shape (n_channels, n_frames).

    Third octaves are sums over the bins of Hann-windowed spectra that overlap by half. With `every` = n above 1 only
    every nth spectrum is computed: faster, and the third octaves become a sample.
    """

    def __init__(self, rate_hz: int, n_channels: int, *, oversample: int = 4, every: int = 1):
        self._every, self._at_spectrum = every, 0
        self._meter = Meter(rate_hz, n_channels, oversample=oversample)
        self._n_channels = n_channels
        self._n = 0
        self._sums = np.zeros(n_channels)
        self._products = np.zeros((n_channels, n_channels))
        self._hop = max(1, rate_hz // 10)
        self._hops = array("d")
        self._part: Array = silence(n_channels, 0)
        self._size = min(FRAMES_PER_SPECTRUM, 1 << int(math.log2(max(64.0, 0.7 * rate_hz))))
        self._window = np.hanning(self._size + 1)[:-1]
        self._power = np.zeros(self._size // 2 + 1)
        self._n_spectra = 0
        self._waiting: Array = silence(n_channels, 0)
        self._rate_hz = rate_hz

    def feed(self, x: Array) -> None:
        """Add a block."""
        if x.shape[1] == 0:
            return
        self._meter.feed(x)
        self._n += x.shape[1]
        self._sums += x.sum(axis=1)
        self._products += x @ x.T
        joined = np.concatenate([self._part, x], axis=1)
        whole = joined.shape[1] // self._hop
        rows = joined[:, : whole * self._hop].reshape(self._n_channels, whole, self._hop)
        self._hops.extend((np.einsum("cij,cij->i", rows, rows) / (self._hop * self._n_channels)).tolist())
        self._part = joined[:, whole * self._hop :].copy()
        self._take_spectra(x)

    def _take_spectra(self, x: Array) -> None:
        joined = np.concatenate([self._waiting, x], axis=1)
        half = self._size // 2
        whole = joined.shape[1] // half - 1
        for at in range(0, max(0, whole) * half, half):
            if self._at_spectrum % self._every == 0:
                spectra = np.fft.rfft(joined[:, at : at + self._size] * self._window)
                self._power += (spectra.real**2 + spectra.imag**2).sum(axis=0)
                self._n_spectra += 1
            self._at_spectrum += 1
        self._waiting = joined[:, max(0, whole) * half :].copy()

    def block_powers(self) -> Array:
        """K-weighted mean squares of the 400 ms blocks, as `Meter.block_powers`."""
        return self._meter.block_powers()

    def short_term_powers(self) -> Array:
        """K-weighted mean squares over 3 s, as `Meter.short_term_powers`."""
        return self._meter.short_term_powers()

    def result(self) -> Measured:
        """All readings of the blocks fed up to now. If one side is silent, correlation is None."""
        measured = self._meter.result()
        if self._n == 0:
            return measured
        means = self._sums / self._n
        powers = np.diag(self._products) / self._n
        rms = gain_to_db(math.sqrt(float(powers.mean())))
        correlation = side_to_mid = None
        if self._n_channels == 2:
            cross = float(self._products[0, 1]) / self._n
            if float(powers.min()) > 0.0:
                correlation = cross / math.sqrt(float(powers[0] * powers[1]))
            mid, side = (float(powers.sum()) + 2.0 * cross) / 4.0, (float(powers.sum()) - 2.0 * cross) / 4.0
            if mid > 0.0 or side > 0.0:
                side_to_mid = gain_to_db(math.sqrt(max(0.0, side))) - gain_to_db(math.sqrt(max(mid, 1e-40)))
        hops = np.sort(np.array(self._hops))
        floor = float(hops[int(QUIET_SHARE * hops.size)]) if hops.size else None
        peak = measured.sample_peak_dbfs
        return replace(
            measured,
            rms_dbfs=rms,
            crest_db=peak - rms if math.isfinite(rms) else None,
            dc_dbfs=gain_to_db(float(np.abs(means).max())),
            noise_floor_dbfs=gain_to_db(math.sqrt(floor)) if floor is not None else None,
            correlation=correlation,
            side_to_mid_db=side_to_mid,
            above_18_khz_dbfs=self._level_between(18_000.0, 0.5 * self._rate_hz) if self._rate_hz > 36_000 else None,
            below_15_hz_dbfs=self._level_between(2.0, 15.0),
            third_octave_db=self._third_octaves(),
        )

    def _powers(self) -> tuple[Array, Array]:
        """Frequencies of bin edges in Hz, and the power below each."""
        rest = self._waiting.shape[1]
        spectra, count = self._power, self._n_spectra
        if count == 0:  # less than one spectrum: the signal padded with silence
            padded = np.zeros((self._n_channels, self._size))
            padded[:, :rest] = self._waiting
            made = np.fft.rfft(padded)
            spectra, count = (made.real**2 + made.imag**2).sum(axis=0), 1
            scale = 1.0 / (self._size * max(1, self._n))
        else:
            scale = 1.0 / (self._size * float(np.sum(self._window**2)) * count)
        density = 2.0 * spectra * scale / self._n_channels
        density[0] /= 2.0
        edges = np.concatenate([[0.0], np.cumsum(density)])
        bins = (np.arange(edges.size) - 0.5) * (self._rate_hz / self._size)
        return np.asarray(bins, dtype=np.float64), np.asarray(edges, dtype=np.float64)

    def _level_between(self, low_hz: float, high_hz: float) -> float:
        """Level in dBFS between two frequencies, from the mean of the channels' powers."""
        bins, edges = self._powers()
        power = float(np.interp(high_hz, bins, edges) - np.interp(low_hz, bins, edges))
        return gain_to_db(math.sqrt(max(0.0, power)))

    def _third_octaves(self) -> dict[str, float]:
        """Levels in dBFS of the bands below half the rate; a bin on an edge counts to both bands in part."""
        found = {}
        for i, nominal in enumerate(NOMINAL_HZ):
            centre = 1000.0 * 10.0 ** (0.1 * (FIRST_BAND + i))
            low, high = centre * 10.0**-0.05, centre * 10.0**0.05
            if high > 0.5 * self._rate_hz:
                break
            found[f"{nominal:g}"] = self._level_between(low, high)
        return found
