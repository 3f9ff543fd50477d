"""Memoryless curves for saturation, each with its formula. All pass through 0 and are 1 at most.

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
    """tanh(x + b) - tanh(b)."""

    def __init__(self, bias: float):
        self._bias, self._rest = bias, math.tanh(bias)

    def __call__(self, x: Array) -> None:
        x += self._bias
        np.tanh(x, out=x)
        x -= self._rest


def curve_of(name: str, bias: float) -> Curve:
    """The curve of a name; `biased_tanh` takes the bias."""
    return BiasedTanh(bias) if name == "biased_tanh" else PLAIN[name]


def sine_level_gain(curve: Curve, drive: float, peak: float) -> float:
    """The factor that brings a driven sine of this peak back to its RMS."""
    sine = peak * np.sin(2.0 * np.pi * (np.arange(4096) + 0.5) / 4096)
    shaped = drive * sine
    curve(shaped)
    shaped -= shaped.mean()
    return float(np.sqrt(np.mean(sine**2) / np.mean(shaped**2)))
