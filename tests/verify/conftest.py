"""A song with expectations, and pytest run inside a test, for the plugin."""

from __future__ import annotations

import pytest
import soundfile

from tests.signals import RATE, noise
from tests.songs import JUDGED


@pytest.fixture
def song(session):
    return session.write(JUDGED)


@pytest.fixture
def inner(pytester, monkeypatch, store):
    # NumPy may be loaded once a process, and pytester forgets what its runs have loaded.
    import chainrun.engine
    import chainrun.verify.run  # noqa: F401

    monkeypatch.setenv("CHAINRUN_STORE", str(store))
    soundfile.write(pytester.path / "kick.wav", noise(RATE, 0.2), RATE, subtype="FLOAT")
    soundfile.write(pytester.path / "snare.wav", noise(RATE, 0.2, seed=2), RATE, subtype="FLOAT")
    (pytester.path / "song.recipe.toml").write_text(JUDGED)

    def call(*arguments):
        return pytester.runpytest_inprocess("-p", "no:xdist", "-p", "no:cacheprovider", "-v", *arguments)

    call.folder = pytester.path
    return call
