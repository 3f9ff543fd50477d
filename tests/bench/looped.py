"""The session of tests/bench/session.py as plain loops, compiled with numba: as a competent user would write them."""

from __future__ import annotations

import math
import time
from pathlib import Path

import numpy as np
import soundfile
from numba import njit
from pydantic import TypeAdapter
from scipy import fft

import chainrun.processors  # noqa: F401
from chainrun.contract import any_step
from chainrun.dsp.ballistics import time_constant
from chainrun.dsp.curves import curve_of
from chainrun.dsp.limiting import MARGIN_DB, limiting_interpolators
from chainrun.dsp.oversample import DOWN_HALF, UP_HALF, Oversampler
from chainrun.dsp.pan import balance_gains, pan_gains
from chainrun.loudness import gain_to_loudness
from chainrun.loudness.k_weighting import k_weighting
from tests.bench import compiled

RATE, ROOMS = 48000, 4
STEMS = 12
STEP = TypeAdapter(any_step())
GATE = {
    "do": "gate", "threshold_dbfs": -30.0, "hysteresis_db": 6.0, "range_db": 60.0, "attack_ms": 0.3, "hold_ms": 50.0,
    "release_ms": 100.0, "lookahead_ms": 4.0, "window_ms": 5.0,
}  # fmt: skip
COMPRESSOR = {
    "do": "compressor",
    "threshold_dbfs": -20.0,
    "ratio": 4.0,
    "knee_db": 6.0,
    "attack_ms": 8.0,
    "release_ms": 120.0,
}
EQ = {
    "do": "eq",
    "design": "bilinear",
    "bands": [
        {"kind": "low_cut", "freq_hz": 40.0, "slope_db_per_octave": 12},
        {"kind": "bell", "freq_hz": 90.0, "gain_db": 3.0, "q": 1.0},
        {"kind": "bell", "freq_hz": 400.0, "gain_db": -4.0, "q": 1.4},
        {"kind": "bell", "freq_hz": 2500.0, "gain_db": 2.0, "q": 0.9},
        {"kind": "bell", "freq_hz": 5000.0, "gain_db": 2.5, "q": 0.8},
        {"kind": "high_shelf", "freq_hz": 9000.0, "gain_db": 2.0},
    ],
}
SATURATE = {"do": "saturate", "curve": "tanh", "drive_db": 6.0, "level_db": -6.0}
ROOM = {"do": "room", "decay_s": 0.8, "mix_pct": 20.0}
BUS = {
    "do": "compressor",
    "threshold_dbfs": -18.0,
    "ratio": 4.0,
    "knee_db": 6.0,
    "attack_ms": 12.0,
    "release_ms": 150.0,
}
LIMITER = {"do": "limiter", "ceiling_dbtp": -1.0, "lookahead_ms": 1.5, "hold_ms": 5.0, "release_ms": 80.0}
TARGET = -16.0


def pan(i: int) -> float:
    return -60.0 + 120.0 * i / (STEMS - 1)


# -- the compiled session --------------------------------------------------------------------------------------


@njit(cache=False, fastmath=True)
def shaper(x, up, down, drive, level, out):
    """tanh at 4 times the rate, in chunks: dots up, tanh of the C library, dots down. x ends with 128 zeros."""
    n_up, n_down, late = up.shape[1], down.shape[1], up.shape[1] // 2
    size = 4096
    planes = np.zeros((4, size + n_down - 1))
    total_late = late + n_down // 2
    for start in range(0, x.size, size):
        stop = min(size, x.size - start)
        for n in range(stop):
            at = start + n
            here = n_down - 1 + n
            planes[0, here] = math.tanh(drive * x[at - late]) if at >= late else 0.0
            for p in range(3):
                total = 0.0
                if at >= n_up - 1:
                    for k in range(n_up):
                        total += up[p, k] * x[at - k]
                else:
                    for k in range(at + 1):
                        total += up[p, k] * x[at - k]
                planes[p + 1, here] = math.tanh(drive * total)
        for n in range(stop):
            total = 0.0
            for p in range(4):
                for k in range(n_down):
                    total += down[p, k] * planes[p, n_down - 1 + n - k]
            to = start + n - total_late
            if to >= 0:
                out[to] = level * total
        for p in range(4):
            for k in range(n_down - 1):
                planes[p, k] = planes[p, stop + k]


@njit(cache=False)
def linked_compressor(x, threshold, ratio, knee, attack, release):
    slope, y = 1.0 - 1.0 / ratio, 0.0
    for n in range(x.shape[1]):
        level = 20.0 * math.log10(max(max(abs(x[0, n]), abs(x[1, n])), 1e-30))
        over = level - threshold
        if 2.0 * over < -knee:
            wanted = 0.0
        elif 2.0 * abs(over) <= knee:
            wanted = slope * (over + knee / 2.0) ** 2 / (2.0 * knee)
        else:
            wanted = slope * over
        a = attack if wanted > y else release
        y = a * y + (1.0 - a) * wanted
        gain = 10.0 ** (-y / 20.0)
        x[0, n] *= gain
        x[1, n] *= gain


@njit(cache=False, fastmath=True)
def between_peak(x, n, taps, half):
    """Largest magnitude between frame n and its neighbours, over the phases and channels."""
    best = 0.0
    for c in range(x.shape[0]):
        for side in range(2):
            first = n - half + side
            for p in range(taps.shape[0]):
                total = 0.0
                for k in range(2 * half):
                    at = first + k
                    if 0 <= at < x.shape[1]:
                        total += taps[p, k] * x[c, at]
                best = max(best, abs(total))
    return best


@njit(cache=False, fastmath=True)
def limiter(x, taps4, taps8, ceiling, lookahead, hold, release, bound, out):
    """Lookahead limiter on true peaks, computed where a sample near them could let them pass."""
    frames = x.shape[1]
    half4, half8 = taps4.shape[1] // 2, taps8.shape[1] // 2
    width = lookahead + hold + 1
    ring_v, ring_n = np.zeros(width + 1), np.zeros(width + 1, np.int64)
    head, tail = 0, 0
    box, at, total, q = np.zeros(lookahead + 1), 0, 0.0, 0.0
    near = 0
    for m in range(min(half8, frames)):
        if max(abs(x[0, m]), abs(x[1, m])) > ceiling / bound:
            near = m + half8 + 1
    for n in range(frames + lookahead):
        need = 0.0
        if n < frames:
            ahead = n + half8
            if ahead < frames and max(abs(x[0, ahead]), abs(x[1, ahead])) > ceiling / bound:
                near = ahead + half8 + 1
            peak = max(abs(x[0, n]), abs(x[1, n]))
            if n < near:
                peak = max(peak, between_peak(x, n, taps4, half4))
                peak = max(peak, between_peak(x, n, taps8, half8))
            need = math.log2(peak / ceiling) if peak > ceiling else 0.0
        while tail != head and ring_v[(tail - 1) % (width + 1)] <= need:
            tail = (tail - 1) % (width + 1)
        ring_v[tail], ring_n[tail] = need, n
        tail = (tail + 1) % (width + 1)
        while ring_n[head] <= n - width:
            head = (head + 1) % (width + 1)
        q = max(ring_v[head], release * q)
        total += q - box[at]
        box[at] = q
        at = at + 1 if at < lookahead else 0
        if n >= lookahead:
            gain = 2.0 ** (-total / (lookahead + 1)) if total > 1e-12 else 1.0
            out[0, n - lookahead] = x[0, n - lookahead] * gain
            out[1, n - lookahead] = x[1, n - lookahead] * gain


@njit(cache=False)
def add(total, x, left, right):
    for n in range(total.shape[1]):
        total[0, n] += left * x[0, n]
        total[1, n] += right * x[-1, n]


def room(x: np.ndarray, response: np.ndarray, share: float, law: float) -> np.ndarray:
    """Mono into a stereo room: blocks of one partition, FFT of all rows, multiply-add compiled."""
    size = 15_360
    parts = -(-response.shape[1] // size)
    padded = np.zeros((2, parts * size))
    padded[:, : response.shape[1]] = response
    spectra = fft.rfft(padded.reshape(2, parts, size), 2 * size)
    out = np.empty((2, x.size))
    history, before = np.zeros((parts - 1, size + 1), complex), np.zeros(size)
    step = 4 * size
    for start in range(0, x.size, step):
        part = x[start : start + step]
        whole = -(-part.size // size)
        rows = np.zeros((whole, 2 * size))
        rows[:, size:].reshape(-1)[:] = 0
        fresh = np.zeros(whole * size)
        fresh[: part.size] = part
        rows[:, size:] = fresh.reshape(whole, size)
        rows[0, :size] = before
        rows[1:, :size] = rows[:-1, size:]
        before = rows[-1, size:].copy()
        joined = np.concatenate([history, fft.rfft(rows, axis=-1)])
        made = np.empty((2, whole, size + 1), complex)
        compiled.multiply_add(joined, spectra, parts, made)
        history = joined[whole:].copy()
        wet = fft.irfft(made, 2 * size, axis=-1)[:, :, size:].reshape(2, -1)[:, : part.size]
        out[:, start : start + part.size] = share * wet + (1.0 - share) * law * part
    return out


def compiled_session(folder: Path, target: Path, n_frames: int) -> float:
    """The whole session by plain loops, with its tail to n_frames; returns CPU seconds."""
    began = time.process_time()
    sections = np.concatenate([band.sections(RATE, "bilinear") for band in STEP.validate_python(EQ).bands])
    kernel = Oversampler(4, curve_of("tanh", 0), 1.0, 1.0)
    up = np.stack([kernel._up_taps(phase) for phase in (1, 2, 3)])
    down = np.stack(kernel._down_taps())
    lookahead = round(GATE["lookahead_ms"] / 1000 * RATE)
    law = pan_gains(0.0, -3.0)[0]
    total = None
    for i in range(STEMS):
        read, _ = soundfile.read(folder / f"s{i}.wav")
        x = np.concatenate([read, np.zeros(n_frames - read.size)])
        n = x.size
        total = np.zeros((2, n)) if total is None else total
        y = np.empty(n + lookahead)
        compiled.gate(
            np.concatenate([x, np.zeros(lookahead)]), 10 ** (GATE["threshold_dbfs"] / 20),
            10 ** ((GATE["threshold_dbfs"] - GATE["hysteresis_db"]) / 20), time_constant(GATE["window_ms"], RATE),
            round(GATE["hold_ms"] / 1000 * RATE) + lookahead, GATE["range_db"], time_constant(GATE["attack_ms"], RATE),
            time_constant(GATE["release_ms"], RATE), lookahead, np.zeros(lookahead), y,
        )  # fmt: skip
        y = y[lookahead:].copy()
        compiled.compressor(
            y, COMPRESSOR["threshold_dbfs"], COMPRESSOR["ratio"], COMPRESSOR["knee_db"],
            time_constant(COMPRESSOR["attack_ms"], RATE), time_constant(COMPRESSOR["release_ms"], RATE), 0.0, y,
        )  # fmt: skip
        compiled.biquads(y, sections, np.zeros((len(sections), 2)), y)
        late = UP_HALF + DOWN_HALF
        shaped = np.zeros(n + late)
        shaper(
            np.concatenate([y, np.zeros(late)]), up, down, 10 ** (SATURATE["drive_db"] / 20),
            10 ** (SATURATE["level_db"] / 20), shaped,
        )  # fmt: skip
        y = shaped[None, :n]
        if i < ROOMS:
            response = STEP.validate_python({**ROOM, "seed": i}).impulse_responses(RATE, 1)[0]
            y = room(y[0], response, ROOM["mix_pct"] / 100, law)
        y = y.astype(np.float32).astype(np.float64)
        left, right = balance_gains(pan(i)) if i < ROOMS else pan_gains(pan(i), -3.0)
        gain = 10 ** (-8.0 / 20)
        add(total, y, left * gain, right * gain)
    linked_compressor(
        total, BUS["threshold_dbfs"], BUS["ratio"], BUS["knee_db"], time_constant(BUS["attack_ms"], RATE),
        time_constant(BUS["release_ms"], RATE),
    )  # fmt: skip
    total = total.astype(np.float32).astype(np.float64)
    four, eight = limiting_interpolators()
    ceiling = 10 ** ((LIMITER["ceiling_dbtp"] - MARGIN_DB) / 20)
    out = np.empty_like(total)
    taps4, taps8 = (np.stack([matrix[: one.n_taps, 0] for matrix in one._matrices]) for one in (four, eight))
    bound = max(four.bound, eight.bound)
    limiter(
        total, taps4, taps8, ceiling,
        round(LIMITER["lookahead_ms"] / 1000 * RATE), round(LIMITER["hold_ms"] / 1000 * RATE),
        time_constant(LIMITER["release_ms"], RATE), bound, out,
    )  # fmt: skip
    out = out.astype(np.float32).astype(np.float64)
    weights, hop = np.ascontiguousarray(k_weighting(RATE)), RATE // 10
    powers = np.zeros(out.shape[1] // hop)
    compiled.k_meter(out[:, : powers.size * hop].copy(), weights, np.zeros((2, 2, 2)), hop, powers)
    blocks = np.convolve(powers, np.ones(4), "valid") / (4 * hop)
    gain = gain_to_loudness(blocks, TARGET)
    out *= 10 ** (gain / 20)
    with soundfile.SoundFile(str(target), "w", RATE, 2, subtype="PCM_24") as file:
        for start in range(0, out.shape[1], 61_440):
            part = out[:, start : start + 61_440]
            file.write(np.left_shift(np.clip(np.rint(part * 2**23), -(2**23), 2**23 - 1).astype(np.int32), 8).T)
    return time.process_time() - began
