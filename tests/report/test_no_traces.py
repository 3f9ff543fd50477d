"""Pages leave nothing in the home folder."""

from __future__ import annotations

import os

import pytest

from tests import program

SONG = 'grammar = 1\n[stems.kick]\nfile = "kick.wav"\n[[deliver]]\nfile = "mix.wav"\n'


def test_pages_leave_nothing_in_the_home_folder(session, tmp_path_factory):
    pytest.importorskip("matplotlib")
    pytest.importorskip("jinja2")
    home = tmp_path_factory.mktemp("home")
    session.write(SONG)
    environment = {key: value for key, value in os.environ.items() if not key.startswith(("XDG_", "MPL"))}
    env = {**environment, "HOME": str(home)}
    ran = program.run_as_process("render", "song.recipe.toml", "-o", "out", "--report", "page", "--no-store", env=env)
    assert ran.code == 0, ran.err
    assert list(home.rglob("*")) == []
