"""The meter beside libebur128 (Debian libebur128-1, by ctypes): python -m tests.bench.meter

Five minutes of stereo in blocks of 61,440 frames; CPU time of the thread, median of 7.
"""

from __future__ import annotations

import ctypes
import ctypes.util

import numpy as np

from chainrun.loudness import Meter
from tests.bench.kernels import seconds_of
from tests.signals import drums, noise

RATE, SECONDS, BLOCK = 48000, 300, 61_440
MODES = {"I, M, S, LRA, sample peak": (3 | 5 | 11 | 17, False), "… with true peak": (3 | 5 | 11 | 17 | 49, True)}


def third_meter(x: np.ndarray, mode: int) -> None:
    """Feeds libebur128 and asks for its readings; momentary and short-term every 100 ms, as their maxima need."""
    lib = ctypes.CDLL(ctypes.util.find_library("ebur128"))
    lib.ebur128_init.restype = ctypes.c_void_p
    lib.ebur128_add_frames_double.argtypes = [ctypes.c_void_p, ctypes.c_void_p, ctypes.c_size_t]
    state = lib.ebur128_init(2, RATE, mode)
    out = ctypes.c_double()
    for start in range(0, len(x), BLOCK):
        part = x[start : start + BLOCK]
        lib.ebur128_add_frames_double(state, part.ctypes.data, len(part))
    for name in ("loudness_global", "loudness_range"):
        function = getattr(lib, f"ebur128_{name}")
        function.argtypes = [ctypes.c_void_p, ctypes.POINTER(ctypes.c_double)]
        function(state, ctypes.byref(out))


def ours(x: np.ndarray, true_peak: bool) -> None:
    meter = Meter(RATE, 2, true_peak=true_peak)
    for start in range(0, x.shape[1], BLOCK):
        meter.feed(x[:, start : start + BLOCK])
    meter.result()


def main() -> None:
    n = RATE * SECONDS
    signals = {
        "drums": np.stack([drums(n, seed=1), drums(n, seed=2)]) * 0.5,
        "noise": np.stack([noise(n, 0.1, seed=1), noise(n, 0.1, seed=2)]),
    }
    print("| 5 min stereo | chainrun, s | libebur128, s | ratio |\n| --- | --- | --- | --- |")
    for name, x in signals.items():
        interleaved = np.ascontiguousarray(x.T)
        for mode, (flags, true_peak) in MODES.items():
            one = seconds_of(lambda x=x, t=true_peak: ours(x, t))
            other = seconds_of(lambda x=interleaved, f=flags: third_meter(x, f))
            print(f"| {name}: {mode} | {one:.2f} | {other:.2f} | {one / other:.2f} |")


if __name__ == "__main__":
    main()
