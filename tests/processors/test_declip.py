"""`declip` repairs sines, the demo and autoregressive noise, and never overshoots."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile
from scipy import signal

import chainrun.processors  # noqa: F401
from chainrun.dsp.declip import interpolate
from tests.signals import ROOT, demo_maker, sine
from tests.steps import RATE, through


def gain_of_mending(clean, clipped, mended, mask):
    """By how many dB the energy of the error falls where it was clipped."""
    before, after = np.sum((clipped - clean)[mask] ** 2), np.sum((mended - clean)[mask] ** 2)
    return 10 * np.log10(before / max(after, 1e-30))


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
@pytest.mark.parametrize("over_db", [0.5, 1, 2, 3, 4, 5, 6])
def test_declip_a_sine(rate, over_db):
    """Every frequency whose clipped runs last up to 1 ms: the error falls by far more than the 10 dB demanded."""
    longest = np.arccos(10 ** (-over_db / 20)) / np.pi
    for freq, phase in ((70, 0.1), (150, 2.0), (330, 0.3), (440, 0.0), (500, 1.7), (880, 0.3), (1500, 2.6)):
        if longest / freq > 0.00098:
            continue
        clean = 10 ** (over_db / 20) * np.sin(2 * np.pi * freq * np.arange(rate // 4) / rate + phase)
        clipped = np.clip(clean, -1, 1)
        y = through(clipped[None], rate, do="declip", threshold_dbfs=0, max_over_threshold_db=6.5)[0]
        mask = np.abs(clean) > 1
        edges = np.flatnonzero(np.diff(mask.astype(int))) + 1
        whole = mask.copy()
        whole[: edges[0] if mask[0] else 0] = False  # a run that the file cuts is left alone
        whole[edges[-1] if mask[-1] else mask.size :] = False
        assert gain_of_mending(clean, clipped, y, whole) >= 20, freq
        assert np.array_equal(y[~whole], clipped[~whole])


@pytest.mark.parametrize(
    ("rate", "freq", "over", "level"),
    [(48000, 110, 1.02, 0.5), (48000, 220, 1.02, 0.1), (96000, 220, 1.1, 1.0), (48000, 200, 1.1, 1.0)],
)
def test_declip_improves_every_phase_over_the_whole_file(rate, freq, over, level):
    """The file's edges cut clipped runs anywhere. Cut runs are left alone, and count here."""
    for phase in np.arange(0, 6.28, 0.7):
        clean = level * over * np.sin(2 * np.pi * freq * np.arange(rate) / rate + phase)
        clipped = np.clip(clean, -level, level)
        y = through(clipped[None], rate, do="declip", threshold_dbfs=float(20 * np.log10(level) - 0.001))[0]
        assert gain_of_mending(clean, clipped, y, np.ones(rate, dtype=bool)) >= 20, phase


def test_declip_the_demos_microphone():
    """The barn microphone of the demo, as it was before the converter clipped it."""
    clean = demo_maker().make_session().stems["barn"][1][0]
    clipped = soundfile.read(ROOT / "fixtures" / "tithe-barn" / "barn.flac")[0]
    y = through(clipped[None], do="declip", threshold_dbfs=-0.02, max_run_ms=1.0)[0]
    full = np.abs(clipped) >= 10 ** (-0.02 / 20)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], full.astype(int), [0]])))
    short = np.zeros(full.size, dtype=bool)
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        if end - begin <= 0.001 * RATE:
            short[begin:end] = True
    # Three hits of the backbeat, whose peaks are the drum's own: all of them win 20 dB and more. Where a peak is the
    # noise of beater and hat nothing can foretell it (the model made from the clean signal wins 0 to 3 dB there, too):
    # all short runs together win 0.9 dB, and nothing gets worse.
    for at in (1.99, 5.45, 6.61):
        hit = short.copy()
        hit[: int((at - 0.02) * RATE)] = hit[int((at + 0.03) * RATE) :] = False
        assert hit.any()
        assert gain_of_mending(clean, clipped, y, hit) >= 20, at
    assert gain_of_mending(clean, clipped, y, short) > 0.5
    assert np.array_equal(y[~full], clipped[~full])


@pytest.mark.parametrize("over_db", [4, 6, 7])
def test_declip_never_shoots_up(over_db):
    """Heavily clipped tones cannot be restored; the output stays within max_over_threshold_db, and is no hazard."""
    clipped = np.clip(sine(440, 1, over_db), -1, 1)
    y = through(clipped[None], do="declip", max_run_ms=4, max_over_threshold_db=6)[0]
    assert np.abs(y).max() <= 2.0


def test_interpolation_restores_what_an_autoregressive_process_lost():
    rng = np.random.default_rng(0)
    x = signal.lfilter([1], [1, -1.99 * np.cos(0.2), 0.99], rng.standard_normal(2000))
    missing = np.zeros(2000, dtype=bool)
    missing[1000:1010] = True
    damaged = np.where(missing, np.sign(x) * 1e-9, x)  # the signs are known, as they are of a clipped run
    assert np.sum((interpolate(damaged, missing, np.inf) - x)[missing] ** 2) < 0.1 * np.sum(x[missing] ** 2)
