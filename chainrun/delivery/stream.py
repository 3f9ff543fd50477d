"""Processes a print for delivery: stretch, fades, fold-down to mono, gain, rate, limiter."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np

from chainrun.audiofile import BLOCK_FRAMES
from chainrun.dsp.arrays import Array
from chainrun.dsp.ballistics import time_constant
from chainrun.dsp.limiting import MARGIN_DB, LimiterKernel, limiting_interpolators
from chainrun.dsp.resample import Resampler
from chainrun.engine.sources import SignalSource
from chainrun.plan.deliveries import DeliverySpec
from chainrun.units import LOG2_PER_DB, db_to_gain, ms_to_frames, s_to_frames

LOOKAHEAD_MS, HOLD_MS, RELEASE_MS = 1.5, 5.0, 80.0
"""Times of the limiter after the gain, with fit = "limiter"."""


class DeliveryStream:
    """Blocks of a delivery at the delivered rate; can be run several times, with different gains."""

    def __init__(self, spec: DeliverySpec, source: Callable[[], SignalSource], rate_hz: int):
        self._spec, self._source, self._rate = spec, source, rate_hz
        opened = source()
        begin = spec.frames[0] if spec.frames is not None else 0
        self._n_in = spec.frames[1] - begin if spec.frames is not None else opened.n_frames
        own = spec.own_frames or (0, opened.n_frames)
        self._fades_from, self._fades_to = (own[0] - begin, own[1] - begin) if spec.is_stretch else (0, self._n_in)
        self.n_channels = 1 if spec.mono_law_db is not None else opened.n_channels
        opened.close()
        self.rate_hz = spec.rate_hz or rate_hz
        self.n_frames = -(-self._n_in * self.rate_hz // rate_hz)
        self.reduction_max_db = 0.0

    def blocks(self, gain_db: float, ceiling_db: float | None = None) -> Iterator[Array]:
        """Blocks of shape (n_channels, n), n_frames in total; limited to the true peak `ceiling_db` if given."""
        made = self._converted(gain_db)
        return made if ceiling_db is None else self._limited(made, ceiling_db)

    def _shaped(self, gain_db: float) -> Iterator[Array]:
        spec, source = self._spec, self._source()
        gain, at = db_to_gain(gain_db), 0
        try:
            while at < self._n_in:
                n = min(BLOCK_FRAMES, self._n_in - at)
                x = source.read(n)
                if spec.fade_in_s or spec.fade_out_s:
                    x *= self._fades(at, n)
                if spec.mono_law_db is not None:
                    x = x.sum(axis=0, keepdims=True) * (db_to_gain(spec.mono_law_db) if x.shape[0] == 2 else 1.0)
                if gain != 1.0:
                    x *= gain
                yield x
                at += n
        finally:
            source.close()

    def _fades(self, at: int, n: int) -> Array:
        """Gain of the raised-cosine fades at both ends, shape (n,)."""
        t = np.arange(at, at + n)
        gain = np.ones(n)
        ends = (t - self._fades_from, self._fades_to - 1 - t)
        for seconds, place in zip((self._spec.fade_in_s, self._spec.fade_out_s), ends, strict=True):
            length = s_to_frames(seconds, self._rate)
            if length:
                gain *= 0.5 - 0.5 * np.cos(math.pi * np.clip(place / length, 0.0, 1.0))
        return gain

    def _converted(self, gain_db: float) -> Iterator[Array]:
        if self.rate_hz == self._rate:
            yield from self._shaped(gain_db)
            return
        converter = Resampler(self._rate, self.rate_hz, self.n_channels)
        left = self.n_frames
        for x in self._shaped(gain_db):
            y = converter.run(x)[:, :left]
            left -= y.shape[1]
            yield y
        y = converter.run(np.zeros((self.n_channels, 0)), last=True)[:, :left]
        yield np.concatenate([y, np.zeros((self.n_channels, left - y.shape[1]))], axis=1)

    def _limited(self, made: Iterator[Array], ceiling_db: float) -> Iterator[Array]:
        kernel = LimiterKernel(
            ceiling_db - MARGIN_DB,
            ms_to_frames(LOOKAHEAD_MS, self.rate_hz),
            ms_to_frames(HOLD_MS, self.rate_hz),
            time_constant(RELEASE_MS, self.rate_hz),
            true_peak=limiting_interpolators(),
        )
        state, late, max_reduction = kernel.start_state(self.n_channels), kernel.latency_frames, 0.0
        rest = np.zeros((self.n_channels, late))
        for x in (*made, rest):
            y, reduction, state = kernel.run(x, state)
            if reduction is not None:
                max_reduction = max(max_reduction, float(reduction.max(initial=0.0)))
            dropped = min(late, y.shape[1])
            late -= dropped
            yield y[:, dropped:]
        self.reduction_max_db = max_reduction / LOG2_PER_DB
