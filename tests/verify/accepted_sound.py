"""The sound of the teaching recipes at the current minor version, as a reference for changes.

python -m tests.verify.accepted_sound

A change of sound raises the minor version. accepted_sound.toml holds, for one minor version, what each recipes/*.baseline.toml
says of its deliveries; tests/verify/test_sound_and_version.py judges the baselines of today by it, as `verify` judges a render.
This command records a new minor version. For one that is recorded already it takes in new recipes and removes those that are
gone, but refuses where a sound has moved; and it never records over a newer version. What is recorded stays as it was
first recorded, so that many small steps do not add up to an unreported change.
"""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path
from typing import Any

import tomli_w

from chainrun import __version__
from chainrun.recipe.model import Tolerances
from chainrun.verify.aspects import Aspect
from chainrun.verify.facts import SILENT_DB, DeliveryFacts
from chainrun.verify.judge import judge_delivery, quantity_limits
from chainrun.verify.wording import check_text
from tests.signals import ROOT

RECIPES = ROOT / "recipes"
RECORD = Path(__file__).with_name("accepted_sound.toml")
ENDING = ".baseline.toml"
HEAD = """# How the teaching recipes sound at this minor version, from their baselines. Not to be edited:
# python -m tests.verify.accepted_sound writes it.
"""
BEARS_SOUND = (
    "pcm_sha256", "encoding", "rate_hz", "n_channels", "n_frames", *(one.value for one in quantity_limits(Tolerances())),
    "third_octaves_db", "curve_step_s", "curve_lufs", "sketch",
)  # fmt: skip
WHAT_TO_DO = "raise the minor version, then run python -m tests.verify.accepted_sound"
TAKE_IN = "run python -m tests.verify.accepted_sound"

Sounds = dict[str, dict[str, dict[str, Any]]]
"""Keys of a baseline's delivery that describe its sound."""


def minor(version: str) -> str:
    """`0.2` of `0.2.7`."""
    return ".".join(version.split(".")[:2])


def sounds_of(recipes: Path = RECIPES) -> Sounds:
    """What the baselines of a folder say today."""
    found = {}
    for path in sorted(recipes.glob(f"*{ENDING}")):
        deliveries = tomllib.loads(path.read_text(encoding="utf-8"))["deliveries"]
        found[path.name.removesuffix(ENDING)] = {
            name: {key: facts[key] for key in BEARS_SOUND} for name, facts in deliveries.items()
        }
    return found


def recorded(record: Path = RECORD) -> tuple[str, Sounds]:
    """The minor version of the record, and its sounds; an empty version where there is no record."""
    if not record.exists():
        return "", {}
    held = tomllib.loads(record.read_text(encoding="utf-8"))
    return held["version"], held["sounds"]


def moved(recipe: str, was: dict[str, dict[str, Any]], now: dict[str, dict[str, Any]]) -> list[str]:
    """Audible changes in words, of the deliveries that are in both."""
    told = []
    for name in [one for one in was if one in now]:
        checks = judge_delivery(name, _facts(was[name]), _facts(now[name]), Tolerances())
        failed = [check for check in checks if not check.passed]
        failed.sort(key=lambda check: check.aspect is not Aspect.RESIDUAL)
        told += [f"{recipe}: {check_text(check)}" for check in failed]
    return told


def _facts(sound: dict[str, Any]) -> DeliveryFacts:
    """A sound as it is judged; what is not recorded is not judged, either."""
    return DeliveryFacts(sample_peak_dbfs=SILENT_DB, rms_dbfs=SILENT_DB, **sound)


def not_in_both(was: Sounds, now: Sounds) -> list[str]:
    """Deliveries that only the record or only a baseline has."""
    pairs = [{(recipe, name) for recipe, held in one.items() for name in held} for one in (was, now)]
    return [
        f"{recipe}: {name} is {'new' if (recipe, name) in pairs[1] else 'gone'}"
        for recipe, name in sorted(pairs[0] ^ pairs[1])
    ]


def write(version: str = __version__, recipes: Path = RECIPES, record: Path = RECORD) -> list[str]:
    """Record the sounds of today for a version. Returns why it refuses to, if it does."""
    held_for, was = recorded(record)
    now = sounds_of(recipes)
    if held_for and number(held_for) > number(minor(version)):
        return [f"what is recorded is the sound of {held_for}, and this is {version}"]
    if held_for == minor(version):
        told = [line for recipe, held in was.items() for line in moved(recipe, held, now.get(recipe, {}))]
        if told:
            return [*told, f"the sound of {held_for} is recorded already: {WHAT_TO_DO}"]
        now = {
            recipe: {name: was.get(recipe, {}).get(name, facts) for name, facts in held.items()}
            for recipe, held in now.items()
        }
    record.write_text(HEAD + tomli_w.dumps({"version": minor(version), "sounds": now}), encoding="utf-8")
    return []


def number(version: str) -> tuple[int, ...]:
    """A version, to be compared."""
    return tuple(int(part) for part in version.split("."))


if __name__ == "__main__":
    refused = write()
    print("\n".join(refused or [f"{RECORD.relative_to(ROOT)} holds the sound of {minor(__version__)}"]))
    sys.exit(1 if refused else 0)
