"""Helpers of the tests of this folder."""

from __future__ import annotations

import numpy as np
from pydantic import TypeAdapter

import chainrun.processors  # noqa: F401
from chainrun.contract import Stream, any_step

RATE = 48000
STEP = TypeAdapter(any_step())


def runner_of(channels=1, keys=None, hit=None, **numbers):
    return STEP.validate_python(numbers).start(Stream(RATE, channels, key_channels=keys or {}, hit_level_dbfs=hit))


def run(x, **numbers):
    runner = runner_of(x.shape[0], **numbers)
    late = runner.latency_frames
    y = runner.run(np.concatenate([x, np.zeros((x.shape[0], late))], axis=1), {})
    return y[:, late:], runner


def level_db(x):
    return 20 * np.log10(np.std(x))
