"""Every key of a recipe has the line and column at which it was written."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chainrun.recipe.locate import positions
from tests.signals import ROOT

TRICKY = '''
"quoted key" = 1
a.b."c.d" = [1, { x = "]", y = [ 2, 3 ] }, """
multi "" line ] """]   # comment with [ brackets ]
[stems.kick]
file = 'li#teral'
chain = [ # first
  { do = "gate", bands = [ { kind = "bell" } ] },
  { preset = "x", set = { "eq.bands.0.gain_db" = -3 } },
]
[[deliver]]
file = "a"
[[deliver]]
file = "b"
[deliver.more]
x = 1
'''


def test_positions_of_keys():
    found = positions(TRICKY)
    lines = TRICKY.split("\n")

    def at(*path):
        line, column = found[path]
        return lines[line - 1][column - 1 :]

    assert at("quoted key").startswith('"quoted key"')
    assert at("a", "b", "c.d", 1, "y", 1).startswith("3")
    assert at("stems", "kick", "chain", 0, "bands", 0, "kind").startswith('kind = "bell"')
    assert at("stems", "kick", "chain", 1, "set", "eq.bands.0.gain_db").startswith('"eq.bands.0.gain_db"')
    assert at("deliver", 1, "file").startswith('file = "b"')
    assert at("deliver", 1, "more", "x").startswith("x = 1")


def paths_of(value, path=()):
    """All paths of plain data."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield (*path, key)
            yield from paths_of(inner, (*path, key))
    elif isinstance(value, list):
        for i, inner in enumerate(value):
            yield (*path, i)
            yield from paths_of(inner, (*path, i))


def test_every_key_of_the_demo_has_a_position():
    text = (ROOT / "recipes" / "tithe-barn.recipe.toml").read_text()
    assert set(paths_of(tomllib.loads(text))) <= set(positions(text))


values = st.recursive(
    st.one_of(st.integers(-5, 5), st.booleans(), st.text(max_size=8), st.floats(-5, 5)),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=5), inner, max_size=3)),
    max_leaves=12,
)


@settings(max_examples=150, deadline=None)
@given(st.dictionaries(st.text(max_size=5), values, max_size=4))
def test_positions_of_anything_that_toml_can_hold(data):
    """Whatever a TOML writer (tomli-w) puts out, the scanner finds every key, as an independent parser sees it."""
    import tomli_w

    text = tomli_w.dumps(data)
    found = positions(text)
    for path in paths_of(tomllib.loads(text)):
        assert path in found


def test_positions_agree_with_another_parser():
    toml_rs = pytest.importorskip("toml_rs", reason="toml-rs is not installed")
    try:
        loaded = toml_rs.load_with_metadata
    except AttributeError:
        pytest.skip("this toml-rs has no load_with_metadata")
    path = ROOT / "recipes" / "tithe-barn.recipe.toml"
    with path.open("rb") as file:
        document = loaded(file)
    assert document.value == tomllib.loads(path.read_text())
