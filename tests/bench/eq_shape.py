"""How far bells and shelves are from their analog prototypes, worst cases: `python -m tests.bench eq_shape`."""

from __future__ import annotations

import numpy as np

from chainrun.dsp import biquad
from chainrun.dsp.matched import analog_magnitude, matched

FREQS = (30, 100, 1000, 4000, 8000, 12000, 16000)
GAINS = (-12, -6, 3, 12)
QS = {"bell": (0.5, 1, 2, 8), "low_shelf": (0.5, 0.7071, 1.0), "high_shelf": (0.5, 0.7071, 1.0)}


def table() -> None:
    """Print the worst deviation up to 0.9 of the Nyquist frequency for each kind, rate and design."""
    print("| kind | rate | matched, dB | at (Hz, dB, q) | bilinear, dB |\n| --- | --- | --- | --- | --- |")
    bilinear = {"bell": biquad.bell, "low_shelf": biquad.low_shelf, "high_shelf": biquad.high_shelf}
    for kind, qs in QS.items():
        for rate in (44100, 48000):
            grid = np.geomspace(20, 0.45 * rate, 500)
            found = []
            for freq in FREQS:
                for gain in GAINS:
                    for q in qs:
                        wanted = analog_magnitude(kind, grid, freq, gain, q)
                        both = (matched(kind, freq, gain, q, rate), bilinear[kind](freq, gain, q, rate)[None])
                        off = [
                            float(np.abs(20 * np.log10(np.abs(biquad.response(s, grid, rate)) / wanted)).max())
                            for s in both
                        ]
                        found.append((off[0], (freq, gain, q), off[1]))
            worst = max(found)
            print(f"| {kind} | {rate} | {worst[0]:.4f} | {worst[1]} | {max(f[2] for f in found):.2f} |")
