"""The streaming meter: integrated loudness with both gates, true peak, sample peak.

ITU-R BS.1770-5 Annex 1: blocks of 400 ms every 100 ms, an incomplete last block dropped; blocks above -70 LUFS
make a first mean, blocks above it less 10 LU (and above -70) the result; both gates are strict. Mono counts as
one channel (it reads 3.01 LU under the same signal in both sides). Memory grows by one number per 100 ms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from chainrun.dsp.arrays import Array, silence
from chainrun.dsp.cascade import Cascade
from chainrun.dsp.true_peak import Interpolator
from chainrun.loudness.k_weighting import k_weighting
from chainrun.units import gain_to_db

ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
OFFSET_LU = -0.691
HOPS_PER_BLOCK = 4


@dataclass(frozen=True)
class Measured:
    """What a meter read. Levels are minus infinity for silence; true peak is None where it was not asked for."""

    n_frames: int
    n_channels: int
    rate_hz: int
    integrated_lufs: float
    sample_peak_dbfs: float
    true_peak_dbtp: float | None = None


def loudness_of(power: float) -> float:
    """Loudness in LUFS of a K-weighted mean square summed over the channels (eq. 2); -inf for 0."""
    return OFFSET_LU + 10.0 * math.log10(power) if power > 0.0 else -math.inf


def gated_loudness(block_powers: Array) -> float:
    """Integrated loudness in LUFS of the powers of the 400 ms blocks (eqs. 4-7)."""
    absolute = 10.0 ** ((ABSOLUTE_GATE_LUFS - OFFSET_LU) / 10.0)
    kept = block_powers[block_powers > absolute]
    if kept.size == 0:
        return -math.inf
    relative = float(kept.mean()) * 10.0 ** (RELATIVE_GATE_LU / 10.0)
    return loudness_of(float(kept[kept > relative].mean()))


def gain_to_loudness(block_powers: Array, target_lufs: float) -> float | None:
    """The gain in dB that brings these blocks to an integrated loudness; None where nothing can be measured.

    The absolute gate does not move with the gain: what a gain lifts over it, or drops under it, counts anew.
    """
    gain = 0.0
    for _ in range(60):
        loudness = gated_loudness(block_powers * 10.0 ** (gain / 10.0))
        if loudness == -math.inf:
            return None
        if abs(target_lufs - loudness) < 1e-6:
            break
        gain += target_lufs - loudness
    return gain


class Meter:
    """Feed it blocks of shape (n_channels, n_frames); read `result()` at the end."""

    def __init__(self, rate_hz: int, n_channels: int, *, true_peak: bool = True, weights: Array | None = None):
        self.rate_hz, self.n_channels = rate_hz, n_channels
        self._weights = np.ones(n_channels) if weights is None else weights
        self._filter = Cascade(k_weighting(rate_hz))
        self._state = self._filter.start_state(n_channels)
        self._hop_powers: list[float] = []
        self._part = 0.0
        self._n_frames = 0
        self._next_border = self._border(1)
        self._sample_peak = 0.0
        self._between = Interpolator() if true_peak else None
        self._true_peaks = np.zeros(n_channels)
        lookback = self._between.n_taps - 1 if self._between else 0
        self._recent = silence(n_channels, lookback)

    def _border(self, hop: int) -> int:
        return round(hop * self.rate_hz / 10)

    def feed(self, x: Array) -> None:
        """Count a block in."""
        n = x.shape[1]
        if n == 0:
            return
        self._sample_peak = max(self._sample_peak, float(x.max()), -float(x.min()))
        weighted, self._state = self._filter.run(x, self._state)
        begin = 0
        while self._n_frames + n >= self._next_border:
            end = self._next_border - self._n_frames
            self._count(weighted[:, begin:end])
            self._hop_powers.append(self._part)
            self._part = 0.0
            begin = end
            self._next_border = self._border(len(self._hop_powers) + 1)
        self._count(weighted[:, begin:])
        if self._between is not None:
            self._interpolate(x)
        self._n_frames += n

    def _count(self, weighted: Array) -> None:
        for weight, channel in zip(self._weights, weighted, strict=True):
            self._part += float(weight) * float(np.dot(channel, channel))

    def _interpolate(self, x: Array) -> None:
        assert self._between is not None
        joined = np.concatenate([self._recent, x], axis=1)
        self._recent = joined[:, joined.shape[1] - self._recent.shape[1] :].copy()
        for channel, row in enumerate(joined):
            self._true_peaks[channel] = self._between.maximum(row, float(self._true_peaks[channel]))

    def block_powers(self) -> Array:
        """Mean square of each whole 400 ms block, K-weighted, summed over the channels."""
        hops = np.array(self._hop_powers)
        if hops.size < HOPS_PER_BLOCK:
            return np.empty(0)
        sums = np.convolve(hops, np.ones(HOPS_PER_BLOCK), "valid")
        borders = np.round(np.arange(hops.size + 1) * self.rate_hz / 10)
        powers: Array = sums / (borders[HOPS_PER_BLOCK:] - borders[:-HOPS_PER_BLOCK])
        return powers

    def result(self) -> Measured:
        """The readings of all blocks so far; the true peak as if silence followed."""
        true_peak = None
        if self._between is not None:
            top = float(self._true_peaks.max(initial=self._sample_peak))
            for channel, row in enumerate(self._recent):
                rest = np.concatenate([row, np.zeros(self._between.n_taps)])
                top = max(top, self._between.maximum(rest, float(self._true_peaks[channel])))
            true_peak = gain_to_db(top)
        return Measured(
            n_frames=self._n_frames,
            n_channels=self.n_channels,
            rate_hz=self.rate_hz,
            integrated_lufs=gated_loudness(self.block_powers()),
            sample_peak_dbfs=gain_to_db(self._sample_peak),
            true_peak_dbtp=true_peak,
        )
