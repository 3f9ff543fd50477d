"""The demo's rooms decay as their recipe says."""

from __future__ import annotations

import numpy as np

import chainrun.processors  # noqa: F401
from tests.signals import ROOT, noise
from tests.steps import RATE, through


def test_the_demos_rooms():
    """Close microphones have narrow rooms, the overheads a wide one, and the fiddle's room keeps its side."""
    import tomllib

    def room(name):
        chain = tomllib.loads((ROOT / f"recipes/presets/{name}.preset.toml").read_text())["chain"]
        return next(step for step in chain if step["do"] == "room")

    def wet(name, x):
        numbers = {key: value for key, value in room(name).items() if key not in ("mix_pct", "name")}
        return through(x, **numbers)

    recipe = (ROOT / "recipes/tithe-barn.recipe.toml").read_text()
    narrow = [np.corrcoef(wet(name, noise(RATE)[None]))[0, 1] for name in ("snare/small-room", "toms/small-room")]
    wide = np.corrcoef(wet("overheads/wide-room", np.stack([noise(RATE), noise(RATE)])))[0, 1]
    assert min(narrow) > 0.5
    assert wide < 0.2
    for name in ("snare/small-room", "toms/small-room", "overheads/wide-room", "fiddle/in-its-corner"):
        assert f'preset = "{name}"' in recipe
    chain = tomllib.loads((ROOT / "recipes/presets/fiddle/in-its-corner.preset.toml").read_text())["chain"]
    assert [step["do"] for step in chain].index("pan") < [step["do"] for step in chain].index("room")
    y = wet("fiddle/in-its-corner", through(noise(RATE)[None], do="pan", pan_pct=-60))
    assert 20 * np.log10(np.std(y[0]) / np.std(y[1])) > 1
