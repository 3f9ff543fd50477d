"""Saturation: what oversampling and antiderivative antialiasing cost, and how low their aliases lie.

python -m tests.bench saturation
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numba import njit

from chainrun.dsp.curves import curve_of
from chainrun.dsp.oversample import DOWN_HALF, UP_HALF, Oversampler
from tests.signals import noise

RATE, N = 48000, 61_440
DRIVE = 10 ** (12 / 20)


def antiderivative(x: np.ndarray) -> np.ndarray:
    """First order (Parker, Zavalishin, Le Bivic, DAFx-16, 2016): the mean of tanh between two frames, by ln cosh."""
    size = np.abs(x)
    integral = size + np.log1p(np.exp(-2 * size)) - math.log(2)
    step = np.diff(x, prepend=0.0)
    rise = np.diff(integral, prepend=0.0)
    small = np.abs(step) < 1e-7
    return np.where(small, np.tanh(x - step / 2), rise / np.where(small, 1.0, step))


class AntiderivativeAt:
    """The antiderivative form inside the oversampler: the planes have to be interleaved for it."""

    def __init__(self, factor: int):
        self.factor = factor
        self._shell = Oversampler(factor, lambda _: None, 1.0, 1.0) if factor > 1 else None

    def run(self, x: np.ndarray) -> np.ndarray:
        if self._shell is None:
            return antiderivative(x)
        planes: list[np.ndarray] = []
        shell = Oversampler(self.factor, lambda plane: planes.append(plane.copy()), 1.0, 1.0)
        size = 32 * 256
        out = np.empty(x.size)
        last = 0.0
        kernel = Oversampler(self.factor, self._take, 1.0, 1.0)
        for start in range(0, x.size, size):
            part = x[start : start + size]
            planes.clear()
            shell.run(part)
            fast = np.stack([plane[: part.size] for plane in planes], axis=1).reshape(-1)
            shaped = antiderivative(np.concatenate([[last], fast]))[1:]
            last = float(fast[-1])
            self._queue = [shaped[p :: self.factor] for p in range(self.factor)]
            out[start : start + part.size] = kernel.run(part)
        return out

    def _take(self, plane: np.ndarray) -> None:
        shaped = self._queue.pop(0)
        plane[: shaped.size] = shaped
        plane[shaped.size :] = 0.0


def floors(run: Callable[[np.ndarray], np.ndarray], freq_hz: float = 5000.0) -> tuple[float, float]:
    """Loudest line that is no harmonic, over the whole band and up to 20 kHz, in dB of the fundamental."""
    n = 1 << 16
    line = round(freq_hz / RATE * n) | 1
    y = run(DRIVE * np.sin(2 * np.pi * line * np.arange(2 * n) / n))[n // 2 : n // 2 + n]
    spectrum = np.abs(np.fft.rfft(y))
    top = spectrum[line]
    spectrum[line : n // 2 : line] = 0
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
    found = []
    for factor in (1, 2, 4, 8):
        kernel = Oversampler(factor, curve_of("tanh", 0), 1.0, 1.0)
        found.append((f"oversampling {factor}", seconds_of(lambda k=kernel: k.run(x)) / N * 1e9,
                      *floors(Oversampler(factor, curve_of("tanh", 0), 1.0, 1.0).run)))  # fmt: skip
    for factor in (1, 2, 4):
        kernel = AntiderivativeAt(factor)
        found.append((f"antiderivative at {factor}", seconds_of(lambda k=kernel: k.run(x)) / N * 1e9,
                      *floors(AntiderivativeAt(factor).run)))  # fmt: skip
    return found


def compiled_ns(seconds_of: Callable[[Callable[[], object]], float]) -> float:
    """ns a frame of the compiled loop at 4 times the rate, with the same lengths of filters."""
    x, out = noise(N, 0.3), np.empty(N)
    up = np.random.default_rng(0).standard_normal((3, 2 * UP_HALF)) * 0.1
    down = np.random.default_rng(1).standard_normal((4, 2 * DOWN_HALF + 1)) * 0.1
    return seconds_of(lambda: plain_4x(x, up, down, DRIVE, out)) / N * 1e9
