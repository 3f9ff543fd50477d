"""Signals that several tests use."""

from __future__ import annotations

from pathlib import Path

import numpy as np

ROOT = Path(__file__).parent.parent
RATE = 48000


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
    import importlib
    import sys

    folder = str(ROOT / "fixtures")
    if folder not in sys.path:
        sys.path.append(folder)
    return importlib.import_module("tithe_barn")


def copy_of_demo(folder):
    """The demo session alone, without its baselines, under a root of its own; returns its recipe."""
    import shutil

    other = [f"{path.name}*" for path in (ROOT / "fixtures").iterdir() if path.is_dir() and path.name != "tithe-barn"]
    shutil.copytree(ROOT / "recipes", folder / "recipes", ignore=shutil.ignore_patterns("*.baseline.toml", *other))
    shutil.copytree(ROOT / "fixtures" / "tithe-barn", folder / "fixtures" / "tithe-barn")
    (folder / ".chainrun-root").touch()
    return folder / "recipes" / "tithe-barn.recipe.toml"
