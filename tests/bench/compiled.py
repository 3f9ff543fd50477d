"""Loops that a competent user would compile with numba: scalar functions, branches, one frame after another."""

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit(cache=False)
def one_pole(x, a, y, out):
    for n in range(x.size):
        y = a * y + (1.0 - a) * x[n]
        out[n] = y
    return y


@njit(cache=False)
def rms(x, a, y, out):
    for n in range(x.size):
        y = a * y + (1.0 - a) * x[n] * x[n]
        out[n] = y
    return y


@njit(cache=False)
def branching(x, attack, release, y, out):
    for n in range(x.size):
        a = attack if x[n] > y else release
        y = a * y + (1.0 - a) * x[n]
        out[n] = y
    return y


@njit(cache=False)
def decoupled(x, attack, release, peak, y, out):
    for n in range(x.size):
        peak = max(x[n], release * peak + (1.0 - release) * x[n])
        y = attack * y + (1.0 - attack) * peak
        out[n] = y
    return peak, y


@njit(cache=False)
def compressor(x, threshold, ratio, knee, attack, release, y, out):
    slope = 1.0 - 1.0 / ratio
    for n in range(x.size):
        level = 20.0 * math.log10(max(abs(x[n]), 1e-30))
        over = level - threshold
        if 2.0 * over < -knee:
            wanted = 0.0
        elif 2.0 * abs(over) <= knee:
            wanted = slope * (over + knee / 2.0) ** 2 / (2.0 * knee)
        else:
            wanted = slope * over
        a = attack if wanted > y else release
        y = a * y + (1.0 - a) * wanted
        out[n] = x[n] * 10.0 ** (-y / 20.0)
    return y


@njit(cache=False)
def gate(x, open_at, close_at, decay, hold, range_db, attack, release, lookahead, line, out):
    held, is_open, left, gain, at = 0.0, False, 0, -range_db, 0
    for n in range(x.size):
        level = abs(x[n])
        held = max(level, held * decay)
        if held >= close_at:
            left = hold
        elif left > 0:
            left -= 1
        else:
            is_open = False
        if level >= open_at:
            is_open = True
        target = 0.0 if is_open else -range_db
        a = attack if is_open else release
        if gain != target:
            gain = target + (gain - target) * a
            if abs(gain - target) < 1e-9:
                gain = target
        factor = 1.0 if gain == 0.0 else 10.0 ** (gain / 20.0) if gain != -range_db else 0.001
        late = line[at]
        line[at] = x[n]
        at = at + 1 if at + 1 < lookahead else 0
        out[n] = late * factor


@njit(cache=False)
def biquads(x, sections, state, out):
    for n in range(x.size):
        value = x[n]
        for s in range(sections.shape[0]):
            y = sections[s, 0] * value + state[s, 0]
            state[s, 0] = sections[s, 1] * value - sections[s, 4] * y + state[s, 1]
            state[s, 1] = sections[s, 2] * value - sections[s, 5] * y
            value = y
        out[n] = value


@njit(cache=False, fastmath=True)
def true_peak(x, taps, best):
    phases, n_taps = taps.shape
    for c in range(x.shape[0]):
        for n in range(x.shape[1] - n_taps + 1):
            for p in range(phases):
                total = 0.0
                for k in range(n_taps):
                    total += taps[p, k] * x[c, n + k]
                total = abs(total)
                best = max(best, total)
    return best


@njit(cache=False)
def k_meter(x, sections, state, hop, powers):
    total, count, at = 0.0, 0, 0
    for n in range(x.shape[1]):
        for c in range(x.shape[0]):
            value = x[c, n]
            for s in range(sections.shape[0]):
                y = sections[s, 0] * value + state[c, s, 0]
                state[c, s, 0] = sections[s, 1] * value - sections[s, 4] * y + state[c, s, 1]
                state[c, s, 1] = sections[s, 2] * value - sections[s, 5] * y
                value = y
            total += value * value
        count += 1
        if count == hop:
            powers[at] = total
            at += 1
            total, count = 0.0, 0


@njit(cache=False, fastmath=True)
def multiply_add(spectra, response, parts, out):
    """The fused multiply-add of a partitioned convolution, for every block and output."""
    outputs, n_parts, bins = response.shape
    for o in range(outputs):
        for block in range(out.shape[1]):
            for b in range(bins):
                out[o, block, b] = 0.0
            for p in range(n_parts):
                for b in range(bins):
                    out[o, block, b] += spectra[parts - 1 - p + block, b] * response[o, p, b]


@njit(cache=False, fastmath=True)
def limiter(x, taps, ceiling, lookahead, release, out):
    """Stereo: true peak by the phases, deque maximum, release, box mean, delay."""
    channels, frames = x.shape
    phases, n_taps = taps.shape
    half = n_taps // 2
    width = lookahead + 1
    ring_v, ring_n = np.zeros(width + 1), np.zeros(width + 1, np.int64)
    head, tail = 0, 0
    box, at, total, q = np.zeros(width), 0, 0.0, 0.0
    for n in range(frames - n_taps):
        peak = 0.0
        for c in range(channels):
            peak = max(peak, abs(x[c, n + half]))
            for p in range(phases):
                value = 0.0
                for k in range(n_taps):
                    value += taps[p, k] * x[c, n + k]
                peak = max(peak, abs(value))
        need = math.log2(peak / ceiling) if peak > ceiling else 0.0
        while tail != head and ring_v[(tail - 1) % (width + 1)] <= need:
            tail = (tail - 1) % (width + 1)
        ring_v[tail], ring_n[tail] = need, n
        tail = (tail + 1) % (width + 1)
        while ring_n[head] < n - lookahead:
            head = (head + 1) % (width + 1)
        q = max(ring_v[head], release * q)
        total += q - box[at]
        box[at] = q
        at = at + 1 if at + 1 < width else 0
        gain = 2.0 ** (-total / width) if total > 1e-12 else 1.0
        for c in range(channels):
            out[c, n] = x[c, n + half - lookahead] * gain if n + half >= lookahead else 0.0
