"""Recipes as they are written for people: the same data, the same sound, lines that can be read."""

from __future__ import annotations

import random
import tomllib

import pytest

from chainrun.delivery import RenderOptions, render
from chainrun.plan import build_plan
from chainrun.recipe.load import Overrides, open_recipe
from chainrun.recipe.resolve import resolved_data, resolved_text
from chainrun.recipe.written import MAX_WIDTH, chain_lines, recipe_text, step_lines, value_text
from tests.signals import ROOT

RECIPES = sorted((ROOT / "recipes").glob("*.recipe.toml"))


@pytest.mark.parametrize("path", RECIPES, ids=lambda path: path.name)
def test_a_teaching_recipe_is_the_same_data(path):
    opened = open_recipe(path)
    data = resolved_data(opened, path.parent)
    text = resolved_text(opened, path.parent)
    assert tomllib.loads(text) == data
    assert text.startswith("grammar = 1\n")
    long = [line for line in text.splitlines() if len(line) > MAX_WIDTH and not line.startswith(("note = ", "  { "))]
    assert not long, "only texts and single tables may be long"


def what(node):
    """What a node does, but for the names of its steps, which a resolved recipe makes unique."""
    steps = [step.model_dump(exclude={"name"}) for step in node.chain]
    return node.name, steps, node.inputs, [key for key, _ in node.keys], node.stream


@pytest.mark.parametrize("path", RECIPES, ids=lambda path: path.name)
def test_a_resolved_recipe_plans_the_same_steps_and_sums(path, tmp_path):
    resolved = tmp_path / "again.recipe.toml"
    resolved.write_text(resolved_text(open_recipe(path), tmp_path))
    before = build_plan(open_recipe(path))
    after = build_plan(open_recipe(resolved, Overrides(allow_roots=[ROOT])))
    assert [what(node) for node in after.nodes] == [what(node) for node in before.nodes]


def test_it_renders_to_the_same_bits(session):
    path = session.write(
        'grammar = 1\n[stems.kick]\nfile = "kick.wav"\nto = "drums"\nlevel_db = -2.5\n'
        'chain = [ { do = "eq", bands = [ { kind = "bell", freq_hz = 80, gain_db = 3 }, '
        '{ kind = "high_shelf", freq_hz = 8000, gain_db = -2.25 } ] }, { do = "gain", gain_db = 1 } ]\n'
        '[buses.drums]\nchain = [ { do = "compressor", threshold_dbfs = -30, ratio = 3 } ]\n',
        "song",
    )
    again = session.write(resolved_text(open_recipe(path), session.folder), "again")
    for name, one in (("a", path), ("b", again)):
        render(build_plan(open_recipe(one)), session.folder / name, RenderOptions(workers=1))
    a, b = (sorted((session.folder / name).rglob("*.wav")) for name in ("a", "b"))
    assert len(a) == len(b) == 1
    assert a[0].read_bytes() == b[0].read_bytes()


def test_short_chains_are_arrays_and_a_long_step_makes_tables_of_all():
    short = {"do": "gain", "gain_db": -3.0}
    long = {"do": "gate", "note": "x" * 90}
    assert chain_lines([short], "stems.a") == (['chain = [ { do = "gain", gain_db = -3 } ]'], [])
    among, after = chain_lines([short, short], "stems.a", [["why"], [], ["and last"]])
    assert after == []
    assert among == [
        "chain = [",
        "  # why",
        '  { do = "gain", gain_db = -3 },',
        '  { do = "gain", gain_db = -3 },',
        "  # and last",
        "]",
    ]
    among, after = chain_lines([short, long], "stems.a", [["why"]])
    assert among == []
    assert after[:5] == ["", "# why", "[[stems.a.chain]]", 'do = "gain"', "gain_db = -3"]
    assert after.count("[[stems.a.chain]]") == 2


def test_bands_are_lines_of_an_array():
    step = {"bands": [{"freq_hz": 80.0, "gain_db": -2.5}, {"freq_hz": 100}], "do": "eq", "name": "low"}
    assert step_lines(step, "main.chain") == [
        "[[main.chain]]",
        'do = "eq"',
        'name = "low"',
        "bands = [",
        "  { freq_hz = 80, gain_db = -2.5 },",
        "  { freq_hz = 100 },",
        "]",
    ]


def test_bands_that_are_long_are_tables():
    step = {"do": "split", "bands": [{"chain": [{"do": "gate", "note": "x" * 90}]}, {}], "crossovers_hz": [100]}
    lines = step_lines(step, "main.chain")
    assert lines.count("[[main.chain.bands]]") == 2
    assert tomllib.loads("\n".join(lines))["main"]["chain"] == [step]


def test_long_comments_are_wrapped():
    _, after = chain_lines([{"do": "gate", "note": "x" * 90}], "stems.a", [["a reason " * 30]])
    comments = [line for line in after if line.startswith("# ")]
    assert len(comments) > 1
    assert max(map(len, comments)) <= MAX_WIDTH


@pytest.mark.parametrize(
    "value",
    [0.1, -0.0, 1e300, 1e15, 3.0, -3, True, 'a "b" \\ c\n', "", [], {}, [[0, 1.5]], {"a.b": {"c d": [1, {"e": 2.0}]}}],
)
def test_a_value_on_one_line_is_the_same(value):
    found = tomllib.loads(f"x = {value_text(value)}")["x"]
    assert found == value
    assert str(found) == str(value) or not isinstance(value, float) or value == 3.0


def anything(rng, depth):
    kind = rng.choice(["number", "text", "switch", *(["array", "table", "tables"] if depth else [])])
    if kind == "number":
        return rng.choice([rng.randint(-99, 99), rng.uniform(-99, 99), float(rng.randint(-9, 9))])
    if kind == "text":
        return "".join(rng.choice('ab "\\\n#=[]{},é') for _ in range(rng.choice([3, 120])))
    if kind == "switch":
        return rng.random() < 0.5
    if kind == "array":
        return [anything(rng, depth - 1) for _ in range(rng.randrange(4))]
    if kind == "tables":
        return [table(rng, depth - 1) for _ in range(rng.randrange(4))]
    return table(rng, depth - 1)


def table(rng, depth):
    keys = ["chain", "bands", "do", "name", "a b", "stems", "x.y", "level_db"]
    return {key: anything(rng, depth) for key in rng.sample(keys, rng.randrange(len(keys)))}


@pytest.mark.parametrize("seed", range(300))
def test_any_data_comes_back(seed):
    rng = random.Random(seed)
    data = {
        "grammar": 1,
        "stems": {f"s{i}": table(rng, 4) for i in range(rng.randrange(3))},
        "main": table(rng, 3),
        "deliver": [table(rng, 2) for _ in range(rng.randrange(3))],
        **table(rng, 3),
    }
    assert tomllib.loads(recipe_text(data)) == data
