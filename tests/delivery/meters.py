"""Measures a delivered file by a finer meter than the one that wrote it."""

from __future__ import annotations

import numpy as np
import soundfile

from chainrun.loudness import Meter


def measured_with_another_meter(path):
    """Measurements of the file, its peaks read at 16 times its rate."""
    x, rate = soundfile.read(path, always_2d=True)
    meter = Meter(rate, x.shape[1], oversample=16)
    meter.feed(np.ascontiguousarray(x.T))
    return meter.result()
