"""The kit of the demo before its compressor."""

from __future__ import annotations

import pytest

import chainrun.processors  # noqa: F401
from tests.signals import copy_of_demo

# -- common practice on the demo kit -------------------------------------------------------------------------


@pytest.fixture(scope="module")
def kit(tmp_path_factory):
    """The demo's kit bus before its compressor, and a way to run a compressor on it."""
    import soundfile

    from chainrun.recipe import Overrides, open_recipe
    from tests.songs import render_opened

    folder = tmp_path_factory.mktemp("kit")
    recipe = copy_of_demo(folder)
    overlay = folder / "kit.overlay.toml"
    overlay.write_text('[buses.kit]\nchain = []\n[[deliver]]\nfile = "kit.wav"\nwhat = "buses.kit"\nbits = 32\n')
    opened = open_recipe(recipe, Overrides(overlays=[overlay]))
    render_opened(opened, folder / "out")
    return soundfile.read(folder / "out" / "kit.wav", always_2d=True)[0].T.copy()
