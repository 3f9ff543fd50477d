"""A lookahead limiter: the gain is on its way down before the peak arrives, and never above what it needs.

With r[n] >= 0 the reduction in log2 units that frame n needs, the gain of frame n - L is made at frame n:
v[n] = max r[n - L - H … n] (lookahead L, hold H), q[n] = max(v[n], a q[n-1]) (release), and the mean of
q[n - L … n] (a straight ramp of L frames). Each of those q is >= r[n - L], hence so is their mean: the limit
holds whatever the material.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from chainrun.dsp.arrays import Array, silence
from chainrun.dsp.sliding import sliding_max, sliding_mean
from chainrun.dsp.true_peak import CHUNK_ROWS, ROW, Interpolator
from chainrun.units import LOG2_PER_DB

NOTHING = 1e-12


@dataclass
class LimiterState:
    """Frames of audio and of reduction that the next block still needs, and the last released reduction."""

    audio: Array
    needed: Array
    released: Array
    last: float


class Limiter:
    """Holds all channels under one ceiling with one gain. With `true_peak` it minds the values between samples."""

    def __init__(
        self,
        ceiling_db: float,
        lookahead_frames: int,
        hold_frames: int,
        release: float,
        *,
        true_peak: Interpolator | None = None,
    ):
        self.ceiling = 2.0 ** (ceiling_db * LOG2_PER_DB)
        self.lookahead, self.hold, self.release = lookahead_frames, hold_frames, release
        self.between = true_peak
        self._ahead = true_peak.half_taps if true_peak else 0
        self._behind = true_peak.half_taps if true_peak else 0
        self.latency_frames = lookahead_frames + self._ahead
        self._longest = max(1, int(-600.0 / math.log(release))) if 0.0 < release < 1.0 else 1 << 20

    def start_state(self, n_channels: int) -> LimiterState:
        """The state at rest."""
        history = self.lookahead + self._ahead + self._behind
        return LimiterState(
            silence(n_channels, history),
            np.zeros(self.lookahead + self.hold),
            np.zeros(self.lookahead),
            0.0,
        )

    def run(self, x: Array, state: LimiterState) -> tuple[Array, Array | None, LimiterState]:
        """A block of shape (n_channels, n_frames) -> output delayed by `latency_frames`, reduction, state.

        The reduction has shape (n_frames,), in log2 units, or is None where the block passes untouched.
        """
        n = x.shape[1]
        joined = np.concatenate([state.audio, x], axis=1)
        history = state.audio.shape[1]
        out = joined[:, self._behind : self._behind + n]
        keep = joined[:, n:].copy()
        # The frames whose need is told in this block: they end `ahead` frames before the block does.
        recent = joined[:, self.lookahead : self.lookahead + self._behind + n + self._ahead]
        needed = self._needed(recent, n)
        if needed is None and state.last == 0.0 and not state.needed.any() and not state.released.any():
            return out.copy(), None, LimiterState(keep, state.needed, state.released, 0.0)
        assert history == self.lookahead + self._ahead + self._behind
        long_needed = np.concatenate([state.needed, needed if needed is not None else np.zeros(n)])
        released, last = self._let_go(sliding_max(long_needed, self.lookahead + self.hold + 1), state.last)
        long_released = np.concatenate([state.released, released])
        reduction = sliding_mean(long_released, self.lookahead + 1)
        y = out * np.exp2(-reduction)
        kept = LimiterState(keep, long_needed[n:].copy(), long_released[n:].copy(), last if last > NOTHING else 0.0)
        return y, reduction, kept

    def _needed(self, recent: Array, n: int) -> Array | None:
        """Reduction that each of n frames needs; None if none does.

        Without the in-between values `recent` is the n frames; with them it has half_taps more on either side.
        """
        peak = np.abs(recent[:, self._behind : self._behind + n]).max(axis=0)
        if self.between is not None:
            # Frame k answers for the values on both its sides: between k - 1 and k, and between k and k + 1.
            for channel in recent:
                beside = self._beside(channel, n)
                if beside is not None:
                    np.maximum(peak, beside, out=peak)
        over = np.flatnonzero(peak > self.ceiling)
        if over.size == 0:
            return None
        needed = np.zeros(n)
        needed[over] = np.log2(peak[over] / self.ceiling)
        return needed

    def _beside(self, x: Array, n: int) -> Array | None:
        assert self.between is not None
        # One frame more to the left, so that the value left of the first frame is known.
        rows = self.between.rows_over(x, self.ceiling)
        if rows.size == 0:
            return None
        right = np.zeros((-(-(n + 1) // ROW) + 1) * ROW)
        for start in range(0, rows.size, CHUNK_ROWS):
            some = rows[start : start + CHUNK_ROWS]
            right.reshape(-1, ROW)[some] = self.between.peaks_of_rows(x, some)
        return np.maximum(right[:n], right[1 : n + 1])

    def _let_go(self, wanted: Array, last: float) -> tuple[Array, float]:
        """q[n] = max(wanted[n], release * q[n-1])."""
        if self.release == 0.0:
            return wanted, float(wanted[-1]) if wanted.size else last
        q = np.empty(wanted.size)
        for start in range(0, wanted.size, self._longest):
            part = slice(start, min(wanted.size, start + self._longest))
            powers = self.release ** np.arange(1.0, part.stop - start + 1.0)
            lifted = wanted[part] / powers
            where = np.flatnonzero(lifted > last)
            held = np.empty(where.size + 1)
            held[0] = last
            np.maximum.accumulate(lifted[where], out=held[1:])
            mask = np.zeros(part.stop - start, dtype=np.int8)
            mask[where] = 1
            q[part] = np.take(held, np.cumsum(mask, dtype=np.intp)) * powers
            last = float(q[part.stop - 1])
        return q, last
