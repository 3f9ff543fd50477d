"""Writes sounds that tests compare."""

from __future__ import annotations

import numpy as np
import soundfile

from tests.signals import RATE


def write(path, x, rate=RATE, subtype="FLOAT"):
    """Writes channels or one row of frames; returns the path."""
    soundfile.write(path, np.atleast_2d(x).T, rate, subtype=subtype)
    return path
