"""Seeded sessions with other positions, hits, levels and polarities, and how well the survey finds them."""

from __future__ import annotations

import tempfile
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
    """Demands on the survey, and its results."""
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
