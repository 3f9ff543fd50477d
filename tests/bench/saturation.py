"""Saturation: cost of oversampling and antiderivative antialiasing, and the level of their aliases.

python -m tests.bench saturation
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numba import njit

from chainrun.dsp.curves import CORNERED, PLAIN, curve_of
from chainrun.dsp.oversample import DOWN_HALF, UP_HALF, Oversampler
from tests.signals import noise

RATE, N = 48000, 61_440
DRIVE = 10 ** (12 / 20)


def ln_cosh(x: np.ndarray) -> np.ndarray:
    """The antiderivative of tanh."""
    size = np.abs(x)
    return size + np.log1p(np.exp(-2 * size)) - math.log(2)


def kernel_of(curve: str, factor: int, means: bool) -> Oversampler:
    integral = {**CORNERED, "tanh": ln_cosh}[curve] if means else None
    return Oversampler(factor, curve_of(curve, 0.2), 1.0, 1.0, scratch=None, antiderivative=integral)


def floors(run: Callable[[np.ndarray], np.ndarray], freq_hz: float = 5000.0) -> tuple[float, float]:
    """Loudest line that is no harmonic, over the whole band and up to 20 kHz, in dB of the fundamental."""
    n = 1 << 16
    line = round(freq_hz / RATE * n) | 1
    y = run(DRIVE * np.sin(2 * np.pi * line * np.arange(2 * n) / n))[n // 2 : n // 2 + n]
    spectrum = np.abs(np.fft.rfft(y))
    top = spectrum[line]
    spectrum[: n // 2 : line] = 0  # also the biased curve's DC, which the step removes
    freqs = np.arange(spectrum.size) * RATE / n
    return 20 * np.log10(spectrum.max() / top), 20 * np.log10(spectrum[freqs < 20000].max() / top)


@njit(cache=False, fastmath=True)
def plain_4x(x, up, down, drive, out):
    """The loop a competent user compiles: dots for up and down, tanh of the C library."""
    phases, n_up = up.shape
    n_down = down.shape[1]
    planes = np.zeros((phases + 1, x.size))
    for n in range(x.size):
        planes[0, n] = math.tanh(drive * x[max(0, n - n_up // 2)])
        for p in range(phases):
            total = 0.0
            for k in range(min(n + 1, n_up)):
                total += up[p, k] * x[n - k]
            planes[p + 1, n] = math.tanh(drive * total)
        total = 0.0
        for p in range(phases + 1):
            for k in range(min(n + 1, n_down)):
                total += down[p, k] * planes[p, n - k]
        out[n] = total


def table(seconds_of: Callable[[Callable[[], object]], float]) -> list[tuple[str, float, float, float]]:
    """Variants with ns a frame, and both floors."""
    x = noise(N, 0.3)
    plain = [(curve, factor, False) for curve in (*PLAIN, "biased_tanh") for factor in (1, 2, 4, 8)]
    means = [(curve, factor, True) for curve in ("tanh", *CORNERED) for factor in (2, 4, 8)]
    found = []
    for curve, factor, by_means in plain + means:
        kernel = kernel_of(curve, factor, by_means)
        ns = seconds_of(lambda k=kernel: k.run(x)) / N * 1e9
        name = f"{curve} at {factor}" + (", antiderivative" if by_means else "")
        found.append((name, ns, *floors(kernel_of(curve, factor, by_means).run)))
    return found


TONES_HZ = (1000, 2000, 3000, 4000, 4599, 5000, 6000, 7000, 8000, 9650)


def tones() -> list[tuple[str, list[float]]]:
    """Aliases over the whole band of higher and lower tones, each curve as the step runs it."""
    used = {"tanh": (4, False), "arctangent": (8, False), "cubic": (8, True), "hard_clip": (8, True)}
    return [(curve, [floors(kernel_of(curve, *how).run, hz)[0] for hz in TONES_HZ]) for curve, how in used.items()]


def compiled_ns(seconds_of: Callable[[Callable[[], object]], float]) -> float:
    """ns a frame of the compiled loop at 4 times the rate, with the same lengths of filters."""
    x, out = noise(N, 0.3), np.empty(N)
    up = np.random.default_rng(0).standard_normal((3, 2 * UP_HALF)) * 0.1
    down = np.random.default_rng(1).standard_normal((4, 2 * DOWN_HALF + 1)) * 0.1
    return seconds_of(lambda: plain_4x(x, up, down, DRIVE, out)) / N * 1e9
