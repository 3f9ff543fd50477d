"""Lookahead limiter: the gain falls before the peak arrives, and always far enough.

With r[n] >= 0 the reduction in log2 units that frame n needs, the gain of frame n - L is computed at frame n:
v[n] = max r[n - L - H … n] (lookahead L, hold H), q[n] = max(v[n], a q[n-1]) (release), and the mean of
q[n - L … n] (a straight ramp of L frames). Each of those q is >= r[n - L], hence so is their mean: the limit
holds for any material.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from chainrun.dsp.arrays import Array, silence
from chainrun.dsp.peak_hold import PeakHold
from chainrun.dsp.sliding import MAX_INPUT, sliding_max, sliding_mean
from chainrun.dsp.true_peak import CHUNK_ROWS, ROW, Interpolator
from chainrun.units import LOG2_PER_DB

NOTHING = 1e-12
"""A released reduction below this (log2 units) counts as zero."""

MARGIN_DB = 0.05
"""Margin below a true-peak ceiling for peaks that 8 times the rate misses (Annex 2, Attachment 1: 0.042 dB at fs/4)."""


def limiting_interpolators() -> tuple[Interpolator, ...]:
    """Interpolators of a true-peak limiter: the meter's own, and a longer one at twice its rate.

    They differ only above 20 kHz, where meters differ too; the higher value counts.
    """
    return Interpolator(4), Interpolator(8, half_taps=24, beta=6.0)


@dataclass
class LimiterState:
    """Frames of audio and of reduction that the next block still needs, and the last released reduction."""

    audio: Array
    needed: Array
    released: Array
    last: float


class LimiterKernel:
    """Keeps all channels below one ceiling with one gain; with `true_peak`, also the values between samples."""

    def __init__(
        self,
        ceiling_db: float,
        lookahead_frames: int,
        hold_frames: int,
        release: float,
        *,
        true_peak: Sequence[Interpolator] = (),
    ):
        self.ceiling = 2.0 ** (ceiling_db * LOG2_PER_DB)
        self.lookahead, self.hold = lookahead_frames, hold_frames
        self.between = tuple(true_peak)
        self._ahead = self._after = max((one.half_taps for one in true_peak), default=0)
        self.latency_frames = lookahead_frames + self._ahead
        self._hold = PeakHold(release)

    def start_state(self, n_channels: int) -> LimiterState:
        """State at the start: silence, no reduction."""
        history = self.lookahead + self._ahead + self._after
        return LimiterState(
            silence(n_channels, history),
            np.zeros(self.lookahead + self.hold),
            np.zeros(self.lookahead),
            0.0,
        )

    def run(self, x: Array, state: LimiterState) -> tuple[Array, Array | None, LimiterState]:
        """Limit a block of shape (n_channels, n_frames); returns output (`latency_frames` late), reduction and state.

        The reduction has shape (n_frames,), in log2 units, or is None if the block passes unchanged.
        """
        n = x.shape[1]
        joined = np.concatenate([state.audio, x], axis=1)
        history = state.audio.shape[1]
        out = joined[:, self._after : self._after + n]
        keep = joined[:, n:].copy()
        # The frames whose need is known in this block: they end `_ahead` frames before the block does.
        recent = joined[:, self.lookahead : self.lookahead + self._after + n + self._ahead]
        needed = self._needed(recent, n)
        if needed is None and state.last == 0.0 and not state.needed.any() and not state.released.any():
            return out.copy(), None, LimiterState(keep, state.needed, state.released, 0.0)
        assert history == self.lookahead + self._ahead + self._after
        long_needed = np.concatenate([state.needed, needed if needed is not None else np.zeros(n)])
        released = self._hold.run(sliding_max(long_needed, self.lookahead + self.hold + 1), state.last)
        last = float(released[-1]) if released.size else state.last
        long_released = np.concatenate([state.released, released])
        reduction = sliding_mean(long_released, self.lookahead + 1)
        y = out * np.exp2(-reduction)
        kept = LimiterState(keep, long_needed[n:].copy(), long_released[n:].copy(), last if last > NOTHING else 0.0)
        return y, reduction, kept

    def _needed(self, recent: Array, n: int) -> Array | None:
        """Reduction that each of n frames needs; None if none needs any.

        `recent` holds the n frames; with interpolators it has half_taps more on either side.
        """
        peak = np.abs(recent[:, self._after : self._after + n]).max(axis=0)
        # Frame k covers the values on both its sides: between k - 1 and k, and between k and k + 1.
        for between in self.between:
            spare = self._after - between.half_taps
            for channel in recent:
                beside = self._beside(between, channel[spare : channel.size - spare], n)
                if beside is not None:
                    np.maximum(peak, beside, out=peak)
        over = np.flatnonzero(peak > self.ceiling)
        if over.size == 0:
            return None
        needed = np.zeros(n)
        needed[over] = np.minimum(np.log2(peak[over] / self.ceiling), MAX_INPUT)
        return needed

    def _beside(self, between: Interpolator, x: Array, n: int) -> Array | None:
        # One more frame on the left, so that the value left of the first frame is known.
        rows = between.rows_over(x, self.ceiling)
        if rows.size == 0:
            return None
        right = np.zeros((-(-(n + 1) // ROW) + 1) * ROW)
        for start in range(0, rows.size, CHUNK_ROWS):
            some = rows[start : start + CHUNK_ROWS]
            right.reshape(-1, ROW)[some] = between.peaks_of_rows(x, some)
        return np.maximum(right[:n], right[1 : n + 1])
