"""Starts single steps from their numbers, and sends sound through them in time."""

from __future__ import annotations

import numpy as np
from pydantic import TypeAdapter

import chainrun.processors  # noqa: F401
from chainrun.contract import Stream, any_step

RATE = 48000
STEP = TypeAdapter(any_step())


def runner_of(channels=1, keys=None, hit=None, rate=RATE, tempo=None, **numbers):
    """The runner of a step, started: runner_of(do="gate", threshold_dbfs=-30)."""
    step = STEP.validate_python(numbers)
    return step.start(Stream(rate, channels, key_channels=keys or {}, hit_level_dbfs=hit, tempo_bpm=tempo))


def run_step(x, **numbers):
    """Output of a step for x, without its latency, and its runner."""
    runner = runner_of(x.shape[0], **numbers)
    late = runner.latency_frames
    y = runner.run(np.concatenate([x, np.zeros((x.shape[0], late))], axis=1), {})
    return y[:, late:], runner


def through(x, rate=RATE, **numbers):
    """Output of a step for x, without its latency."""
    return run_step(x, rate=rate, **numbers)[0]


def level_db(x):
    """The level of a signal without offset, in dB."""
    return 20 * np.log10(np.std(x))
