"""The recipes that teach: sessions of their own, each with notes, expectations, and a baseline that it meets."""

from __future__ import annotations

import importlib
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.signals import ROOT

RECIPES = sorted((ROOT / "recipes").glob("*.recipe.toml"))

SESSIONS = ("brushes", "hand-percussion", "one-microphone", "workshop-kit")


def test_there_are_five_and_more():
    assert len(RECIPES) >= 5
    assert {path.name.removesuffix(".recipe.toml") for path in RECIPES} >= {*SESSIONS, "tithe-barn"}


@pytest.mark.parametrize("path", RECIPES, ids=lambda path: path.name)
def test_it_verifies(path, chainrun):
    """Its expectations, and its committed baseline: within tolerance on any processor."""
    assert path.with_name(path.name.replace(".recipe.", ".baseline.")).exists()
    ran = chainrun("verify", path, "--json")
    assert ran.code == 0, ran.out + ran.err


@pytest.mark.parametrize("name", SESSIONS)
def test_it_teaches(name):
    table = tomllib.loads((ROOT / "recipes" / f"{name}.recipe.toml").read_text())
    assert len(table["note"]) > 60
    assert len(table["expect"]) >= 3

    def notes(value):
        for key, inner in value.items() if isinstance(value, dict) else enumerate(value):
            if key == "note":
                yield inner
            elif isinstance(inner, dict | list):
                yield from notes(inner)

    assert len(list(notes(table))) >= 3, "why, not only what"


@pytest.mark.parametrize("name", SESSIONS)
def test_the_script_makes_the_committed_session(name):
    folder = str(ROOT / "fixtures")
    if folder not in sys.path:
        sys.path.append(folder)
    script = importlib.import_module("small_sessions")
    made = script.SESSIONS[name]()
    assert {path.stem for path in Path(folder, name).glob("*.flac")} == set(made)
    for stem, x in made.items():
        stored, rate = soundfile.read(Path(folder, name, f"{stem}.flac"), dtype="int16")
        assert rate == script.RATE
        # Another processor's FFT may round the last bit of 16 the other way.
        assert np.abs(stored.astype(int) - script.to_int16(x).astype(int)).max() <= 1


def test_shifts_of_the_workshop_are_those_of_the_survey(chainrun):
    """The recipe says that its shifts came from the survey: with them, no stem of the kit is out of time."""
    ran = chainrun("survey", ROOT / "recipes" / "workshop-kit.recipe.toml", "--json")
    assert ran.code == 0, ran.err
    late = {one["channel"]: one["delay_samples"] for one in ran.json["groups"][0]["arrivals"]}
    for name in ("kick", "snare_top", "snare_under", "rack_tom", "floor_tom"):
        assert abs(late[name]) < 1.0, late
