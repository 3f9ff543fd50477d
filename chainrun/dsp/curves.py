"""Memoryless curves for saturation, each with its formula. All pass through 0.

tanh(x); arctangent (2/pi) atan(pi x / 2); cubic 1.5 x - 0.5 x^3 up to |x| = 1, then flat; sine fold sin(pi x / 2),
which turns back beyond 1; hard clip; biased tanh tanh(x + b) - tanh(b), whose two halves differ (even harmonics).
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from chainrun.dsp.arrays import Array

Curve = Callable[[Array], None]
"""Shapes an array in place."""
Antiderivative = Callable[[Array], Array]
"""The curve's integral from 0, as a new array."""


def _tanh(x: Array) -> None:
    np.tanh(x, out=x)


def _arctangent(x: Array) -> None:
    x *= math.pi / 2.0
    np.arctan(x, out=x)
    x *= 2.0 / math.pi


def _cubic(x: Array) -> None:
    np.clip(x, -1.0, 1.0, out=x)
    x *= 1.5 - 0.5 * x * x


def _sine_fold(x: Array) -> None:
    x *= math.pi / 2.0
    np.sin(x, out=x)


def _hard_clip(x: Array) -> None:
    np.clip(x, -1.0, 1.0, out=x)


PLAIN: dict[str, Curve] = {
    "tanh": _tanh,
    "arctangent": _arctangent,
    "cubic": _cubic,
    "sine_fold": _sine_fold,
    "hard_clip": _hard_clip,
}


class BiasedTanh:
    """Biased tanh: the curve tanh(x + b) - tanh(b)."""

    def __init__(self, bias: float):
        self._bias, self._rest = bias, math.tanh(bias)

    def __call__(self, x: Array) -> None:
        """Shape x in place."""
        x += self._bias
        np.tanh(x, out=x)
        x -= self._rest


def curve_of(name: str, bias: float) -> Curve:
    """Curve with the given name; only `biased_tanh` uses the bias. Raises KeyError for an unknown name."""
    return BiasedTanh(bias) if name == "biased_tanh" else PLAIN[name]


def _cubic_integral(x: Array) -> Array:
    size = np.abs(x)
    inner = np.minimum(size, 1.0)
    square = inner * inner
    integral: Array = square * (0.75 - 0.125 * square) + (size - inner)
    return integral


def _hard_clip_integral(x: Array) -> Array:
    size = np.abs(x)
    inner = np.minimum(size, 1.0)
    integral: Array = inner * (size - 0.5 * inner)
    return integral


CORNERED: dict[str, Antiderivative] = {"cubic": _cubic_integral, "hard_clip": _hard_clip_integral}
"""Antiderivatives of the curves with corners, whose harmonics fall slowly."""

DEFAULT_OVERSAMPLING = {"tanh": 4, "biased_tanh": 4, "sine_fold": 4, "arctangent": 8, "cubic": 8, "hard_clip": 8}
"""Minimum factor that keeps the aliases of a 5 kHz tone, driven by 12 dB at 48 kHz, 90 dB below it over the whole band
(measured by `python -m tests.bench saturation`)."""
