"""How well and how fast the survey does.

python -m tests.bench.survey            30 seeded sessions: polarity, delays, confidence
python -m tests.bench.survey --speed    12 microphones of 5 minutes
"""

from __future__ import annotations

import os
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from chainrun.survey.channels import of_folder
from chainrun.survey.survey import survey
from tests.signals import demo_maker

ROOT = Path(__file__).parent.parent.parent
CLOSE = ("kick", "snare_top", "snare_under", "hat", "rack_tom", "floor_tom")
FAR = ("over.right", "barn")


@dataclass
class Told:
    """One arrival: how far off, whether its polarity is right, and how sure it was."""

    session: int
    channel: str
    close: bool
    error_samples: float
    polarity_right: bool
    confidence: float
    n_hits: int


def random_session(folder: Path, seed: int) -> tuple[dict, dict[str, bool]]:
    """A session with other positions, hits, levels, noise and polarities; the truth, and what is inverted."""
    rng = np.random.default_rng(1000 + seed)
    made = demo_maker().make_session(seed, jitter_m=0.06)
    inverted = {}
    for name, (rate, x) in made.stems.items():
        if name in ("fiddle", "accordion", "bass_di"):
            continue
        y = x * 10 ** (rng.uniform(-9, 0) / 20)
        y = y + 10 ** (rng.uniform(-85, -60) / 20) * rng.standard_normal(y.shape)
        turn = name in CLOSE and rng.random() < 0.3
        inverted[name] = turn != (name in made.truth["planted"]["inverted"])
        soundfile.write(folder / f"{name}.wav", np.clip(-y if turn else y, -1, 1).T, rate, subtype="PCM_24")
    return made.truth, inverted


def told(seeds) -> list[Told]:
    """Every arrival of every session, against the truth."""
    found = []
    for seed in seeds:
        with tempfile.TemporaryDirectory() as folder:
            truth, inverted = random_session(Path(folder), seed)
            group = survey(of_folder(Path(folder))).groups[0]
        delays = truth["delays_samples"]
        assert group.reference == "over.left"
        for one in group.arrivals:
            if one.channel not in CLOSE + FAR:
                continue
            name = one.channel.replace("over.right", "over_right")
            true = delays[name][one.drum] - delays["over_left"][one.drum]
            right = one.inverted == inverted[name]
            found.append(
                Told(
                    seed,
                    one.channel,
                    one.channel in CLOSE,
                    abs(one.delay_frames - true),
                    right,
                    one.confidence,
                    one.n_hits,
                )
            )
    return found


def table(all_told: list[Told]) -> list[tuple[str, str]]:
    """What is asked of it, and what was found."""
    close = [one for one in all_told if one.close]
    sure = [one for one in all_told if one.confidence >= 0.9]
    unsure = [one for one in all_told if one.confidence < 0.5]

    def share(chosen, holds):
        return f"{sum(map(holds, chosen))} of {len(chosen)}"

    def right(one):
        return one.polarity_right and one.error_samples <= (1 if one.close else 2)

    errors = np.array([one.error_samples for one in close])
    return [
        ("polarity right", share(all_told, lambda one: one.polarity_right)),
        ("close microphones within 1 sample", share(close, lambda one: one.error_samples <= 1)),
        (
            "far microphones within 2 samples",
            share([o for o in all_told if not o.close], lambda one: one.error_samples <= 2),
        ),
        ("close: median and worst error, samples", f"{np.median(errors):.2f}, {errors.max():.2f}"),
        ("right where it says 0.9 and more", share(sure, right)),
        ("right where it says less than 0.5", share(unsure, right)),
    ]


def long_session(folder: Path, minutes: float = 5.0) -> None:
    """12 microphones: the demo's, over and over, and two once more."""
    for path in sorted((ROOT / "fixtures" / "tithe-barn").glob("*.flac")):
        x, rate = soundfile.read(path)
        for name in (
            path.stem,
            *(("room",) if path.stem == "barn" else ()),
            *(("kick_out",) if path.stem == "kick" else ()),
        ):
            if x.ndim == 1 and rate == 48000:
                soundfile.write(folder / f"{name}.flac", np.tile(x, round(minutes * 6)), rate)


class Watch(threading.Thread):
    """The largest sum of resident memory over this process and its workers, by /proc."""

    def __init__(self):
        super().__init__(daemon=True)
        self.peak_mb, self.over = 0.0, threading.Event()

    def run(self):
        while not self.over.wait(0.1):
            total = 0
            for stat in Path("/proc").glob("[0-9]*/stat"):
                try:
                    fields = stat.read_text().rsplit(")", 1)[1].split()
                except OSError:
                    continue
                if int(fields[2]) == os.getpgrp():
                    total += int(fields[21]) * os.sysconf("SC_PAGE_SIZE")
            self.peak_mb = max(self.peak_mb, total / 1e6)


if __name__ == "__main__":
    if "--speed" in sys.argv:
        with tempfile.TemporaryDirectory() as name:
            long_session(Path(name))
            watch = Watch()
            watch.start()
            begin = time.perf_counter()
            done = survey(of_folder(Path(name)), workers=2)
            seconds = time.perf_counter() - begin
            watch.over.set()
            print(
                f"{len(done.material.channels)} microphones, 5 min: {seconds:.1f} s, {watch.peak_mb:.0f} MB in all processes"
            )
    else:
        for line in table(told(range(1, 31))):
            print(f"| {line[0]} | {line[1]} |")
