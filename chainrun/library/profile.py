"""Measures a chain on fixed test signals, so that presets are compared by their sound and not by their parameters.

Keys get another signal than the input; thresholds below the hits assume hits of -12 dBFS.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from copy import deepcopy
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from chainrun.audiofile.read import hash_content
from chainrun.comparison.residual import k_weighted
from chainrun.contract import Key, Step, Stream
from chainrun.dsp.arrays import Array
from chainrun.dsp.sketch import Sketch
from chainrun.json_hash import short_hash
from chainrun.loudness.meter import Meter
from chainrun.plan.identity import sounding_part
from chainrun.recipe.step_files import steps_with_files
from chainrun.runtime import ChainRunner
from chainrun.runtime.whole_signal import run_on_time
from chainrun.units import db_to_gain, power_ratio_db
from chainrun.whole_file import write_whole

RATE = 48_000
HIT_DBFS = -12.0
SETTLED_S = 4.0
KEY_LATE_FRAMES = 9_000
"""Delay in frames of the keys' signals against the input: about half the time between two hits."""
TEMPO_BPM = 97.3
"""An odd tempo, so that a time in beats does not equal a round number of milliseconds by chance."""
POINTS_HZ = (31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)
LEVELS_DBFS = (-48.0, -36.0, -30.0, -24.0, -18.0, -12.0, -6.0, 0.0)
SEGMENTS = ("hits", "bursts", "low bursts", "noise", "sweep", "wide")
"""Names of the test signals. The last one is always stereo; the others only for chains that need it."""
MIN_DB = -120.0
"""Lower bound of levels in a profile."""
SIDE_MS, SIDE_DB = 7.0, -6.0
"""Delay and level of the copy of a mono signal that is put into the side to make it wide."""


@dataclass(frozen=True)
class Profile:
    """Measurements of a chain. Levels are in dB; lists are in the order of POINTS_HZ and LEVELS_DBFS."""

    response_db: list[float]
    """Frequency response at -50 dBFS, which is below most thresholds."""
    static_db: list[float]
    """Output level for a steady 1 kHz tone of LEVELS_DBFS, both as peak level of a sine of the same RMS."""
    harmonics_pct: float
    """Total harmonic distortion of 1 kHz at a peak of -18 dBFS."""
    attack_ms: float | None
    release_ms: float | None
    """Time to two thirds of the change of gain after a step from -30 to -6 dBFS, and back; None if gain is constant."""
    latency_ms: float
    tail_s: float
    level_change_lu: float | None
    """Change of loudness of pink noise; None if the output is silent."""
    n_channels: int
    """Number of channels it was measured with: 2 for a chain that needs stereo."""
    keys: list[str]
    """Keys of its steps."""
    sketches: dict[str, list[list[float]]]
    """Sketch of each test signal's K-weighted output."""

    def record(self) -> dict[str, object]:
        """The profile as a JSON object."""
        return asdict(self)


def _fade(n: int) -> Array:
    """A fade in and out over 5 ms each."""
    ramp: Array = np.minimum(1.0, np.minimum(np.arange(n), np.arange(n)[::-1]) / 240.0)
    return ramp


def signals() -> dict[str, Array]:
    """The test signals by name: mono, two seconds each."""
    random = np.random.default_rng(11)
    n = 2 * RATE
    t = np.arange(n) / RATE
    hits = np.zeros(n)
    for k, level in enumerate((0.0, -8.0, -3.0, -14.0, -1.0)):
        at = int(0.05 * RATE + k * 0.38 * RATE)
        u = np.arange(n - at) / RATE
        body = sum(np.sin(2 * np.pi * hz * u) * np.exp(-u / d) for hz, d in ((58, 0.15), (187, 0.08), (410, 0.05)))
        sound = (body / 3.0 + 0.6 * random.standard_normal(u.size) * np.exp(-u / 0.025)) * np.minimum(1.0, u / 0.0008)
        hits[at:] += db_to_gain(HIT_DBFS + level) * sound
    bursts, low = np.zeros(n), np.zeros(n)
    for k, level in enumerate((-42.0, -30.0, -20.0, -12.0, -6.0)):
        begin, length = int((0.02 + 0.39 * k) * RATE), int(0.22 * RATE)
        part = slice(begin, begin + length)
        bursts[part] = db_to_gain(level) * np.sin(2 * np.pi * 1000 * t[:length]) * _fade(length)
        low[part] = db_to_gain(level) * np.sin(2 * np.pi * 90 * t[:length]) * _fade(length)
    spectrum = np.fft.rfft(random.standard_normal(n))
    spectrum /= np.sqrt(np.maximum(np.arange(spectrum.size), 10.0))
    pink = np.fft.irfft(spectrum)
    pink *= db_to_gain(-24.0) / np.std(pink)
    top = math.log(20000.0 / 25.0)
    sweep = db_to_gain(-26.0) * np.sin(2 * np.pi * 25.0 * 2.0 / top * (np.exp(t / 2.0 * top) - 1.0)) * _fade(n)
    return dict(zip(SEGMENTS, (hits, bursts, low, pink, sweep, hits + pink), strict=True))


def widened(x: Array) -> Array:
    """A mono signal made stereo, shape (2, n_frames), with sides that differ at all frequencies."""
    late = round(SIDE_MS / 1000.0 * RATE)
    side = db_to_gain(SIDE_DB) * np.concatenate([np.zeros(late), x[:-late]])
    return np.stack([x + side, x - side])


def channels_for(steps: list[Step]) -> int:
    """Number of channels to run a chain with: one, or two if a step needs stereo."""
    n = 1
    for step in steps:
        if step.bypass:
            continue
        if step.needs_stereo and n == 1:
            return 2
        n = step.channels_out(n)
    return 1


class Bench:
    """Runs a chain on several signals: started once, since a room takes long to prepare, and copied for each run."""

    def __init__(self, steps: list[Step]):
        self.steps = steps
        self._begun: dict[int, ChainRunner] = {}
        self.keys = {key for step in steps if not step.bypass for key in step.listens_to()}

    def runner(self, n_channels: int) -> ChainRunner:
        """A runner of the chain in its initial state."""
        if n_channels not in self._begun:
            stream = Stream(
                RATE,
                n_channels,
                hit_level_dbfs=HIT_DBFS,
                tempo_bpm=TEMPO_BPM,
                key_channels=dict.fromkeys(self.keys, n_channels),
                key_hit_levels=dict.fromkeys(self.keys, HIT_DBFS),
            )
            self._begun[n_channels] = ChainRunner(self.steps, stream)
        return deepcopy(self._begun[n_channels])

    def run(self, x: Array, n_channels: int, keys: Mapping[Key, Array] | None = None) -> Array:
        """Run the chain on a signal, without its latency; mono goes to all channels. By default keys get it delayed."""
        runner = self.runner(n_channels)
        both = x if x.ndim == 2 else np.stack([x] * n_channels)
        if keys is None:
            padded = np.pad(both, ((0, 0), (0, runner.latency_frames)))
            late = np.roll(padded, min(KEY_LATE_FRAMES, padded.shape[1] // 2), axis=1)
            keys = dict.fromkeys(self.keys, late)
        return run_on_time(runner, both, {key: keys[key] for key in self.keys})


def measure_profile(steps: list[Step]) -> Profile:
    """Measure a chain. Files of impulse responses must exist, as for a render."""
    n_channels, bench = channels_for(steps), Bench(steps)
    sketches: dict[str, list[list[float]]] = {}
    inputs, outputs = {}, {}
    for name, x in signals().items():
        wide = name == "wide" or n_channels == 2
        inputs[name] = widened(x) if wide else x[np.newaxis]
        y = outputs[name] = bench.run(inputs[name], 2 if wide else n_channels)
        # A mono output is put on both sides, so that its sketch is comparable with a stereo one's.
        weighted = k_weighted(y, RATE)
        sketch = Sketch(RATE, 2)
        sketch.feed(weighted if weighted.shape[0] == 2 else np.concatenate([weighted, weighted]))
        sketches[name] = sketch.result().tolist()
    runner = bench.runner(n_channels)
    linear = is_linear(steps)
    attack, release = _timing(bench, n_channels) if runner.readings() else (None, None)
    return Profile(
        response_db=_response(bench, n_channels),
        static_db=_static(bench, n_channels, linear=linear, moves=bool(runner.readings())),
        harmonics_pct=0.0 if linear else _harmonics(bench, n_channels),
        attack_ms=attack,
        release_ms=release,
        latency_ms=round(runner.latency_frames / RATE * 1000.0, 3),
        tail_s=round(runner.tail_frames / RATE, 3),
        level_change_lu=_level_change(inputs["noise"], outputs["noise"]),
        n_channels=n_channels,
        keys=sorted(f"{'+'.join(key.sources)} {key.tap}" for key in bench.keys),
        sketches=sketches,
    )


def _response(bench: Bench, n_channels: int) -> list[float]:
    """Gain in third octaves around POINTS_HZ, for noise at -50 dBFS."""
    x = np.random.default_rng(5).standard_normal(RATE) * db_to_gain(-50.0)
    y = bench.run(x, n_channels)
    freqs = np.fft.rfftfreq(x.size, 1.0 / RATE)
    before, after = np.abs(np.fft.rfft(x)) ** 2, np.mean(np.abs(np.fft.rfft(y)) ** 2, axis=0)
    found = []
    for hz in POINTS_HZ:
        band = (freqs >= hz / 2 ** (1 / 6)) & (freqs < hz * 2 ** (1 / 6))
        found.append(_db(float(after[band].sum()), float(before[band].sum())))
    return found


def _db(after: float, before: float) -> float:
    return round(max(MIN_DB, power_ratio_db(after, before)), 2)


def _tone(level_dbfs: float, seconds: float) -> Array:
    peak = db_to_gain(level_dbfs)
    wave: Array = peak * np.sin(2 * np.pi * 1000.0 * np.arange(int(seconds * RATE)) / RATE)
    return wave


def is_linear(steps: Iterable[Step]) -> bool:
    """Whether all steps of a chain are linear."""
    for step in steps:
        inner = [chain for _, chain in step.inner_chains()]
        if not step.bypass and not (all(is_linear(chain) for chain in inner) if inner else step.linear):
            return False
    return True


def _static(bench: Bench, n_channels: int, *, linear: bool, moves: bool) -> list[float]:
    """Output levels; a chain whose gain varies is given time to settle."""
    found: list[float] = []
    for level in LEVELS_DBFS:
        if linear and found:
            found.append(round(level + found[0] - LEVELS_DBFS[0], 2))
            continue
        x = _tone(level, SETTLED_S if moves else 0.6)
        y = bench.run(x, n_channels)
        found.append(round(level + _db(float(np.mean(y[:, -9600:] ** 2)), float(np.mean(x[-9600:] ** 2))), 2))
    return found


def _harmonics(bench: Bench, n_channels: int) -> float:
    y = bench.run(_tone(-18.0, 0.6), n_channels).mean(axis=0)[-9600:]
    lines = np.abs(np.fft.rfft(y * np.hanning(y.size)))
    at = np.arange(1, 20) * 200  # 1 kHz and its harmonics, in lines of 5 Hz
    powers = np.array([float((lines[k - 2 : k + 3] ** 2).sum()) for k in at if k + 3 < lines.size])
    return round(100.0 * math.sqrt(float(powers[1:].sum()) / max(float(powers[0]), 1e-30)), 4)


def _timing(bench: Bench, n_channels: int) -> tuple[float | None, float | None]:
    """Attack and release time, from the gain after a step of level up and down again."""
    x = np.concatenate([_tone(-30.0, 1.0), _tone(-6.0, 2.0), _tone(-30.0, SETTLED_S)])
    y = bench.run(x, n_channels)[0]
    width = RATE // 1000
    levels = [
        20.0 * np.log10(np.sqrt(np.mean(one[: one.size // width * width].reshape(-1, width) ** 2, axis=1)) + 1e-7)
        for one in (x, y)
    ]
    gain = levels[1] - levels[0]
    return _settling(gain, 1000, 3000), _settling(gain, 3000, gain.size)


def _settling(gain: Array, begin: int, end: int) -> float | None:
    """Time in ms from a step of level until the gain has made two thirds of its change; None for no change."""
    was, will = float(np.median(gain[begin - 200 : begin - 50])), float(np.median(gain[end - 200 : end]))
    if abs(was - will) < 0.3:
        return None
    gone = np.abs(gain[begin:end] - was) >= 2.0 / 3.0 * abs(will - was)
    return float(np.argmax(gone)) if gone.any() else None


def _level_change(x: Array, y: Array) -> float | None:
    levels = []
    for sound in (y, x if x.shape == y.shape else np.concatenate([x, x])):
        meter = Meter(RATE, sound.shape[0], true_peak=False)
        meter.feed(sound)
        levels.append(meter.result().integrated_lufs)
    louder = levels[0] - levels[1]
    return round(louder, 2) if math.isfinite(louder) else None


def kept_profile(steps: list[Step], code: str, folder: Path | None) -> Profile:
    """A chain's profile from the store's folder, or measured and kept there. `code` is the hash of the program."""
    described = [sounding_part(step.model_dump(by_alias=True, exclude_none=True)) for step in steps]
    for _, step in steps_with_files(described, bypassed=False):
        step["file"] = hash_content(Path(step["file"]))
    path = folder / "faces" / f"{short_hash([described, code])}.json" if folder is not None else None
    if path is not None:
        try:
            return Profile(**json.loads(path.read_text(encoding="utf-8")))
        except (OSError, ValueError, TypeError):
            pass
    profile = measure_profile(steps)
    if path is not None:
        write_whole(path, json.dumps(profile.record()))
    return profile
