"""The twins. Every function takes and returns plain 1-D arrays."""

from __future__ import annotations

import math

import numpy as np


def one_pole(x, a, y):
    """y[n] = a y[n-1] + (1 - a) x[n]."""
    out = np.empty(len(x))
    for n, value in enumerate(x):
        y = a * y + (1.0 - a) * value
        out[n] = y
    return out


def branching(x, attack, release, y):
    """Giannoulis, Massberg, Reiss, JAES 60(6), 2012, eq. (16)."""
    out = np.empty(len(x))
    for n, value in enumerate(x):
        a = attack if value > y else release
        y = a * y + (1.0 - a) * value
        out[n] = y
    return out


def decoupled(x, attack, release, peak, y):
    """The same paper, eq. (17)."""
    out = np.empty(len(x))
    for n, value in enumerate(x):
        peak = max(value, release * peak + (1.0 - release) * value)
        y = attack * y + (1.0 - attack) * peak
        out[n] = y
    return out


def biquads(x, sections):
    """Direct form I, one section after the other."""
    for b0, b1, b2, _, a1, a2 in sections:
        y = np.empty(len(x))
        x1 = x2 = y1 = y2 = 0.0
        for n, value in enumerate(x):
            y[n] = b0 * value + b1 * x1 + b2 * x2 - a1 * y1 - a2 * y2
            x2, x1, y2, y1 = x1, value, y1, y[n]
        x = y
    return x


def knee_reduction_db(x_db, threshold, ratio, knee):
    """x - y of eq. (4) of the same paper, with its three branches."""
    over = x_db - threshold
    if 2 * over < -knee:
        y = x_db
    elif 2 * abs(over) <= knee and knee > 0:
        y = x_db + (1 / ratio - 1) * (over + knee / 2) ** 2 / (2 * knee)
    elif over <= 0:
        y = x_db
    else:
        y = threshold + over / ratio
    return x_db - y


def compressor_gain_db(level, threshold, ratio, knee, attack, release):
    """Gain in dB, feed-forward, smoothed after the gain computer; starts from no reduction."""
    y, out = 0.0, np.empty(len(level))
    for n, value in enumerate(level):
        x_db = 20.0 * math.log10(max(abs(value), 1e-30))
        wanted = knee_reduction_db(x_db, threshold, ratio, knee)
        a = attack if wanted > y else release
        y = a * y + (1.0 - a) * wanted
        out[n] = -y
    return out


def gate_gain_db(level, open_at, close_at, decay, hold, range_db, attack, release):
    """Gain in dB of a gate with a held peak, hysteresis and hold; starts closed."""
    held, is_open, until, gain = 0.0, False, -1, -range_db
    out = np.empty(len(level))
    for n, value in enumerate(level):
        held = max(value, held * decay)
        if held >= close_at:
            until = n + hold
        if is_open and n > until:
            is_open = False
        if not is_open and value >= open_at:
            is_open = True
        target = 0.0 if is_open else -range_db
        a = attack if is_open else release
        gain = target + (gain - target) * a
        out[n] = gain
    return out


def limiter(x, ceiling, lookahead, hold, release):
    """Sample-peak limiter on (channels, frames): output (late by `lookahead`) and reduction in log2 units."""
    n = x.shape[1]
    need = np.array([max(0.0, math.log2(p / ceiling)) if p > 0 else 0.0 for p in np.abs(x).max(axis=0)])
    q, released = 0.0, []
    y, reduction = np.zeros_like(x), np.zeros(n)
    for k in range(n):
        q = max(need[max(0, k - lookahead - hold) : k + 1].max(), release * q)
        released.append(q)
        window = released[max(0, k - lookahead) : k + 1]
        reduction[k] = sum(window) / (lookahead + 1)
        if k >= lookahead:
            y[:, k] = x[:, k - lookahead] * 2.0 ** -reduction[k]
    return y, reduction


def sliding_max(x, width):
    """max(x[n : n + width])."""
    return np.array([x[n : n + width].max() for n in range(len(x) - width + 1)])


def between_samples(x, factor, half_taps, beta):
    """Largest in-between magnitude: every phase of every frame, straight from the formula."""
    best = 0.0
    padded = np.concatenate([np.zeros(half_taps), x, np.zeros(half_taps)])
    for phase in range(1, factor):
        t = np.arange(2 * half_taps) - (half_taps - 1) - phase / factor
        taps = np.sinc(t) * np.i0(beta * np.sqrt(np.maximum(0, 1 - (t / half_taps) ** 2))) / np.i0(beta)
        taps /= taps.sum()
        best = max(best, np.abs(np.correlate(padded, taps, "valid")).max())
    return best


def echo(x, delay, taps, half, feedback, section, cross):
    """Echoes alone, one frame after the other: interpolated, filtered in the loop, fed back, crossed or not."""
    b0, b1, b2, _, a1, a2 = section
    channels, length = x.shape
    early = delay + 2 * half
    written = np.zeros((channels, early + length))
    out, state = np.zeros((channels, length)), np.zeros((channels, 2))
    for n in range(length):
        back = np.zeros(channels)
        for c in range(channels):
            window = [written[c, early + n - delay - k + half - 1] for k in range(len(taps))]
            out[c, n] = float(np.dot(taps, window))
            back[c] = b0 * out[c, n] + state[c, 0]
            state[c, 0] = b1 * out[c, n] - a1 * back[c] + state[c, 1]
            state[c, 1] = b2 * out[c, n] - a2 * back[c]
        written[:, early + n] = x[:, n] + feedback * (back[::-1] if cross else back)
    return out


def convolve(x, response):
    """A sum over the response for each frame."""
    y = np.zeros(len(x))
    for n in range(len(x)):
        for k in range(min(n + 1, len(response))):
            y[n] += response[k] * x[n - k]
    return y


def prediction_products(x, order):
    """Sums of x[n - i] x[n - j] over the frames n that have all `order` frames before them."""
    products = np.zeros((order + 1, order + 1))
    for n in range(order, len(x)):
        for i in range(order + 1):
            for j in range(order + 1):
                products[i, j] += x[n - i] * x[n - j]
    return products


def missing_samples(x, where, a):
    """The samples that minimise the prediction errors of a, by solving for all of them at once."""
    order = len(a) - 1
    rows = np.zeros((len(x) - order, len(x)))
    for n in range(order, len(x)):
        for k in range(order + 1):
            rows[n - order, n - k] += a[k]
    known = np.array(x)
    known[where] = 0.0
    return np.linalg.lstsq(rows[:, where], -(rows @ known), rcond=None)[0]
