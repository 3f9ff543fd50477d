"""Streaming meter: integrated, momentary and short-term loudness, loudness range, true peak, sample peak.

* Integrated (ITU-R BS.1770-5 Annex 1): blocks of 400 ms every 100 ms, an incomplete last block dropped. The blocks
  above -70 LUFS give a first mean; the blocks above that mean minus 10 LU (and above -70) give the result. Both gates
  are strict.
* Momentary and short-term (EBU Tech 3341 v4): means over 400 ms and 3 s, ungated; their maxima over steps of 20 ms
  (steps of 100 ms miss up to 0.45 LU of cases 13 and 14).
* Loudness range (EBU Tech 3342 v4): 95th minus 10th percentile, by nearest rank, of short-term levels every 100 ms
  that are at or above -70 LUFS and at or above their mean minus 20 LU. No silence is appended: after a short signal it
  would itself add up to 12 LU of range (libebur128 appends none either).

Channels are weighted by position (Table 3). 1 to 6 channels are taken as: mono; L R; L R C; L R Ls Rs; L R C Ls Rs;
L R C LFE Ls Rs. Mono counts as one channel (3.01 LU below the same signal in both channels). Memory grows by one number
every 100 ms.
"""

from __future__ import annotations

import math
from array import array

import numpy as np

from chainrun.dsp.arrays import Array, IntArray, silence
from chainrun.dsp.cascade import Cascade
from chainrun.dsp.true_peak import Interpolator
from chainrun.loudness.k_weighting import k_weighting
from chainrun.measured import Measured
from chainrun.units import gain_to_db

ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
RANGE_GATE_LU = -20.0
OFFSET_LU = -0.691
STEPS_PER_S = 50
"""Sums of 20 ms, from which all windows are made."""
STEPS_PER_HOP = 5
HOPS_PER_BLOCK = 4
MOMENTARY_STEPS = 20
SHORT_TERM_STEPS = 150
SURROUND = 1.41
CHANNEL_WEIGHTS: dict[int, tuple[float, ...]] = {
    1: (1.0,),
    2: (1.0, 1.0),
    3: (1.0, 1.0, 1.0),
    4: (1.0, 1.0, SURROUND, SURROUND),
    5: (1.0, 1.0, 1.0, SURROUND, SURROUND),
    6: (1.0, 1.0, 1.0, 0.0, SURROUND, SURROUND),
}


def loudness_of(power: float) -> float:
    """Loudness in LUFS of a K-weighted mean square summed over the channels (BS.1770-5, eq. 2); -inf for 0."""
    return OFFSET_LU + 10.0 * math.log10(power) if power > 0.0 else -math.inf


def power_of(loudness_lufs: float) -> float:
    """K-weighted mean square of a loudness in LUFS: the inverse of `loudness_of`."""
    return float(10.0 ** ((loudness_lufs - OFFSET_LU) / 10.0))


def gated_loudness(block_powers: Array) -> float:
    """Integrated loudness in LUFS from the powers of the 400 ms blocks (BS.1770-5, eqs. 4-7); -inf if none counts."""
    kept = block_powers[block_powers > power_of(ABSOLUTE_GATE_LUFS)]
    if kept.size == 0:
        return -math.inf
    relative = float(kept.mean()) * 10.0 ** (RELATIVE_GATE_LU / 10.0)
    return loudness_of(float(kept[kept > relative].mean()))


def loudness_range(short_term_powers: Array) -> float | None:
    """Loudness range in LU of short-term powers (Tech 3342 v4, section 5); None if all are below the gate."""
    kept = short_term_powers[short_term_powers >= power_of(ABSOLUTE_GATE_LUFS)]
    if kept.size == 0:
        return None
    kept = np.sort(kept[kept >= float(kept.mean()) * 10.0 ** (RANGE_GATE_LU / 10.0)])

    def at(percent: float) -> float:
        # Nearest rank, halves away from zero.
        return float(kept[math.floor((kept.size - 1) * percent / 100.0 + 0.5)])

    return 10.0 * math.log10(at(95.0) / at(10.0))


def gain_to_loudness(block_powers: Array, target_lufs: float) -> float | None:
    """Gain in dB that brings these blocks to an integrated loudness; None if nothing can be measured.

    The absolute gate does not move with the gain, so blocks that the gain lifts above it, or drops below it, change the
    result; hence the iteration.
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
    """Loudness and peak meter: feed it blocks of shape (n_channels, n_frames), then read `result()`.

    `oversample` is the factor for the true peak: 4, 8 or 16. Raises ValueError for more than 6 channels.
    """

    def __init__(self, rate_hz: int, n_channels: int, *, true_peak: bool = True, oversample: int = 4):
        if n_channels not in CHANNEL_WEIGHTS:
            raise ValueError(f"1 to {max(CHANNEL_WEIGHTS)} channels can be measured, not {n_channels}")
        self.rate_hz, self.n_channels = rate_hz, n_channels
        self._weights = np.array(CHANNEL_WEIGHTS[n_channels])
        self._filter = Cascade(k_weighting(rate_hz))
        self._state = self._filter.start_state(n_channels)
        self._hop_powers = array("d")
        self._n_steps = 0
        self._open = 0.0
        """Sum of squares in the unfinished step."""
        self._recent_steps = np.zeros(0)
        self._momentary = self._short_term = 0.0
        self._hop_open: list[float] = []
        self._n_frames = 0
        self._sample_peak = 0.0
        self._between = Interpolator(oversample) if true_peak else None
        self._true_peaks = np.zeros(n_channels)
        lookback = self._between.n_taps - 1 if self._between else 0
        self._recent = silence(n_channels, lookback)

    def feed(self, x: Array) -> None:
        """Add a block."""
        n = x.shape[1]
        if n == 0:
            return
        self._sample_peak = max(self._sample_peak, float(x.max()), -float(x.min()))
        weighted, self._state = self._filter.run(x, self._state)
        self._count_steps(weighted)
        if self._between is not None:
            self._interpolate(x)
        self._n_frames += n

    def _borders(self, first: int, last: int) -> IntArray:
        """Frames at which the steps first … last end, shape (last - first + 1,)."""
        borders: IntArray = np.rint(np.arange(first, last + 1) * (self.rate_hz / STEPS_PER_S)).astype(np.int64)
        return borders

    def _count_steps(self, weighted: Array) -> None:
        n = weighted.shape[1]
        end = self._n_frames + n
        last = int((end + 1) * STEPS_PER_S / self.rate_hz) + 1
        ends = self._borders(self._n_steps + 1, last) - self._n_frames
        ends = ends[ends <= n]
        if ends.size == 0:
            self._open += self._power(weighted)
            return
        steps = np.empty(ends.size)
        first = int(ends[0])
        steps[0] = self._open + self._power(weighted[:, :first])
        if ends.size > 1:
            inside = weighted[:, first : int(ends[-1])]
            width = self.rate_hz // STEPS_PER_S
            if self.rate_hz % STEPS_PER_S == 0:
                rows = [row.reshape(-1, width) for row in inside]
                sums = [np.einsum("ij,ij->i", row, row) for row in rows]
            else:
                sums = [np.add.reduceat(row * row, ends[:-1] - first) for row in inside]
            steps[1:] = sum(weight * one for weight, one in zip(self._weights, sums, strict=True))
        self._open = self._power(weighted[:, int(ends[-1]) :])
        self._take_steps(steps)

    def _power(self, weighted: Array) -> float:
        return sum(float(w) * float(np.dot(row, row)) for w, row in zip(self._weights, weighted, strict=True))

    def _take_steps(self, steps: Array) -> None:
        """Process sums of whole steps: keep hops of 100 ms, and raise the maxima of the windows."""
        self._n_steps += steps.size
        joined = np.concatenate([self._recent_steps, steps])
        total = np.concatenate([[0.0], np.cumsum(joined)])
        for name, width in (("_momentary", MOMENTARY_STEPS), ("_short_term", SHORT_TERM_STEPS)):
            if joined.size >= width:
                top = float((total[width:] - total[:-width]).max())
                setattr(self, name, max(getattr(self, name), top / (width * self.rate_hz / STEPS_PER_S)))
        self._recent_steps = joined[-(SHORT_TERM_STEPS - 1) :].copy()
        hops = np.concatenate([self._hop_open, steps])
        whole = hops.size // STEPS_PER_HOP
        self._hop_powers.extend(hops[: whole * STEPS_PER_HOP].reshape(whole, STEPS_PER_HOP).sum(axis=1).tolist())
        self._hop_open = hops[whole * STEPS_PER_HOP :].tolist()

    def _interpolate(self, x: Array) -> None:
        assert self._between is not None
        joined = np.concatenate([self._recent, x], axis=1)
        self._recent = joined[:, joined.shape[1] - self._recent.shape[1] :].copy()
        for channel, row in enumerate(joined):
            self._true_peaks[channel] = self._between.maximum(row, float(self._true_peaks[channel]))

    def block_powers(self) -> Array:
        """Mean square of each whole 400 ms block, K-weighted, summed over the channels, shape (n_blocks,)."""
        return self._windows(np.array(self._hop_powers), HOPS_PER_BLOCK)

    def short_term_powers(self) -> Array:
        """Mean square over 3 s at each hop of 100 ms, whole windows only; weighted and summed as `block_powers`."""
        return self._windows(np.array(self._hop_powers), SHORT_TERM_STEPS // STEPS_PER_HOP)

    def _windows(self, hops: Array, width: int) -> Array:
        """Mean squares over `width` hops, one per hop."""
        if hops.size < width:
            return np.empty(0)
        sums = np.convolve(hops, np.ones(width), "valid")
        borders = np.round(np.arange(hops.size + 1) * self.rate_hz / 10)
        powers: Array = sums / (borders[width:] - borders[:-width])
        return powers

    def _range(self) -> float | None:
        hops = np.array(self._hop_powers)
        width = SHORT_TERM_STEPS // STEPS_PER_HOP
        if hops.size < width:
            return None
        return loudness_range(self._windows(hops, width))

    def _true_peak(self) -> float | None:
        if self._between is None:
            return None
        top = float(self._true_peaks.max(initial=self._sample_peak))
        for channel, row in enumerate(self._recent):
            rest = np.concatenate([row, np.zeros(self._between.n_taps)])
            top = max(top, self._between.maximum(rest, float(self._true_peaks[channel])))
        return gain_to_db(top)

    def result(self) -> Measured:
        """Readings of all blocks fed up to now; the true peak as if silence followed."""
        integrated = gated_loudness(self.block_powers())
        sample_peak, true_peak = gain_to_db(self._sample_peak), self._true_peak()
        peak = sample_peak if true_peak is None else true_peak
        return Measured(
            n_frames=self._n_frames,
            n_channels=self.n_channels,
            rate_hz=self.rate_hz,
            integrated_lufs=integrated,
            sample_peak_dbfs=sample_peak,
            true_peak_dbtp=true_peak,
            momentary_max_lufs=loudness_of(self._momentary) if self._n_steps >= MOMENTARY_STEPS else None,
            short_term_max_lufs=loudness_of(self._short_term) if self._n_steps >= SHORT_TERM_STEPS else None,
            range_lu=self._range(),
            plr_lu=peak - integrated if math.isfinite(peak) and math.isfinite(integrated) else None,
        )
