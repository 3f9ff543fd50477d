"""Signals that several tests use."""

from __future__ import annotations

import numpy as np


def drums(n, rate=48000, seed=0, bpm=120):
    """Decaying noise bursts on the beat."""
    rng = np.random.default_rng(seed)
    beat = int(60 / bpm * rate / 2)
    return rng.standard_normal(n) * 0.5 * np.exp(-(np.arange(n) % beat) / (0.03 * rate))


def noise(n, level=0.2, seed=0):
    """White noise."""
    return np.random.default_rng(seed).standard_normal(n) * level


def hostile(n=6000):
    """Silence, steps, full-scale squares, denormals, one frame at full scale."""
    step = np.zeros(n)
    step[n // 3 :] = 0.7
    single = np.zeros(n)
    single[n // 2] = 1.0
    return {
        "silence": np.zeros(n),
        "step": step,
        "square": np.where((np.arange(n) // 24) % 2, 1.0, -1.0),
        "denormals": np.full(n, 4e-310),
        "single frame": single,
        "noise": noise(n),
        "drums": drums(n),
    }


def in_pieces(x, sizes):
    """The blocks of (channels, frames) that these sizes cut, over and over."""
    at, k = 0, 0
    while at < x.shape[1]:
        size = sizes[k % len(sizes)]
        yield x[:, at : at + size]
        at += size
        k += 1


def sine(freq_hz, seconds, level_dbfs, rate=48000, phase=0.0):
    """A sine of this peak level."""
    t = np.arange(round(seconds * rate)) / rate
    return 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * freq_hz * t + phase)


def demo_maker():
    """The module that makes the demo session, fixtures/tithe_barn.py."""
    import importlib.util
    import sys
    from pathlib import Path

    path = Path(__file__).parent.parent / "fixtures" / "tithe_barn.py"
    spec = importlib.util.spec_from_file_location("tithe_barn", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["tithe_barn"] = module
    spec.loader.exec_module(module)
    return module
