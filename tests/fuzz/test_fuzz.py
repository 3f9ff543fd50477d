"""Recipes and headers made wrong at random, the fixed cases that it found, and numbers at the edges of the schema."""

from __future__ import annotations

import math
import os
import random
from pathlib import Path

import pytest
import tomli_w
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from chainrun.contract import processors
from chainrun.contract.parameters import models_in
from tests.fuzz import harness, recipes

EDGES = (0, 0.0, -0.0, 1e308, -1e308, 1e-308, -1e-308, math.inf, -math.inf, math.nan, 2**63 - 1, -(2**63))


def test_two_thousand_recipes():
    """`python -m tests.fuzz --cases 20000` is the long one."""
    assert harness.run("recipes", 2000, every=16) == []


def test_two_thousand_headers():
    assert harness.run("headers", 2000) == []


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("fuzz")
    harness.session(made)
    return made


@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True, database=None)
@given(rng=st.randoms(use_true_random=False), changes=st.integers(0, 6))
def test_what_hypothesis_makes_of_recipes(folder, rng, changes):
    """The same mutator with hypothesis's choices, which shrink: a recipe that breaks a claim is shown at its smallest."""
    here = Path.cwd()
    os.chdir(folder)
    try:
        recipe = recipes.start(rng)
        for _ in range(changes):
            recipes.mutate(recipe, rng)
        try:
            text = tomli_w.dumps(recipe)
        except (TypeError, ValueError, AttributeError):
            return
        assert harness.try_recipe(text.encode("utf-8", "surrogatepass"), folder, rendered=False) is None
    finally:
        os.chdir(here)


FOUND = {
    "a stem without a file beside one that is no table": "grammar = 1\nstems = { a = {}, b = true, c = 1.5 }\n",
}
"""Findings of the fuzz, each as small as possible: they must be refused like any mistake."""


@pytest.mark.parametrize("name", FOUND)
def test_what_was_found(folder, chainrun, monkeypatch, name):
    monkeypatch.chdir(folder)
    monkeypatch.setenv("CHAINRUN_TRACEBACK", "1")
    Path("found.recipe.toml").write_text(FOUND[name])
    assert chainrun("check", "found.recipe.toml").code == 3


def fields_of(model):
    """Every field of a processor and of the tables inside it, as a path of keys with the bounds that it states."""
    for name, field in model.model_fields.items():
        low = next((bound.ge for bound in field.metadata if hasattr(bound, "ge")), None)
        high = next((bound.le for bound in field.metadata if hasattr(bound, "le")), None)
        inner = list(models_in(field.annotation))
        if not inner and name not in ("do", "name", "note", "file"):
            yield name, low, high


@pytest.mark.parametrize("word", sorted(processors()))
def test_numbers_at_the_edges_of_the_schema(folder, chainrun, monkeypatch, word):
    """Each number of each processor at both ends of its range and beyond all of them: valid or refused, never a defect."""
    monkeypatch.chdir(folder)
    monkeypatch.setenv("CHAINRUN_TRACEBACK", "1")
    stems = {}
    for field, low, high in fields_of(processors()[word]):
        for i, value in enumerate([*EDGES, *(edge for edge in (low, high) if edge is not None)]):
            step = {"do": word, **dict(processors()[word].example), field: value}
            stems[f"{field}-{i}"] = {"file": "pair.wav", "hit_level_dbfs": -6.0, "chain": [step]}
    Path("edges.recipe.toml").write_text(tomli_w.dumps({"grammar": 1, "tempo_bpm": 120, "stems": stems}))
    code, said, _ = harness._ran(["check", "edges.recipe.toml", "--limit", "nodes=5000"], 20)
    assert code == 3
    refused = {line.split("  ")[1].split(".")[1] for line in said.splitlines() if "  stems." in line}
    # NaN, infinity and absurd numbers are refused everywhere.
    for name in stems:
        field, _, at = name.rpartition("-")
        beyond = int(at) < len(EDGES) and (not math.isfinite(EDGES[int(at)]) or abs(EDGES[int(at)]) > 1e300)
        if beyond:
            assert name in refused, name
    # The ends of a range are valid, or refused because they do not fit others; valid ones render.
    left = {name: stem for name, stem in stems.items() if name not in refused}
    rng = random.Random(word)
    for name in rng.sample(sorted(left), min(4, len(left))):
        Path("edge.recipe.toml").write_text(tomli_w.dumps({"grammar": 1, "tempo_bpm": 120, "stems": {"a": left[name]}}))
        why = harness.try_recipe(Path("edge.recipe.toml").read_bytes(), folder, rendered=True)
        assert why is None, f"{name}: {why}"


TABLE_EDGES = [
    ("stems.a.level_db", 0), ("stems.a.at_s", 0), ("stems.a.from_s", 0), ("stems.a.to_s", 0), ("stems.a.shift_samples", 0), ("stems.a.trim_db", 0),
    ("stems.a.pan_pct", 0), ("max_tail_s", 0), ("tempo_bpm", 0), ("pan_law_db", 0), ("rate_hz", 0), ("deliver.0.target_lufs", 0),
    ("deliver.0.max_dbtp", 0), ("deliver.0.fade_in_s", 0), ("deliver.0.from_s", 0), ("deliver.0.seed", 0), ("deliver.0.quality_pct", 0),
]  # fmt: skip


@pytest.mark.parametrize("path", [path for path, _ in TABLE_EDGES])
def test_numbers_of_tables_at_their_edges(folder, monkeypatch, path):
    monkeypatch.chdir(folder)
    monkeypatch.setenv("CHAINRUN_TRACEBACK", "1")
    for value in (*EDGES, 1, -1, 120, -120, 1e6, 48000, 1e-9):
        recipe = {"grammar": 1, "stems": {"a": {"file": "mono.wav"}}, "deliver": [{"file": "mix.wav"}]}
        node = recipe
        *way, last = path.split(".")
        for key in way:
            node = node[int(key)] if key.isdigit() else node[key]
        node[last] = value
        why = harness.try_recipe(tomli_w.dumps(recipe).encode(), folder, rendered=True)
        assert why is None, f"{path} = {value}: {why}"
