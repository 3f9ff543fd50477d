"""`check` for the files around a recipe."""

from pathlib import Path

import pytest

from tests.signals import ROOT

FILES = {
    "p.preset.toml": ('grammar = 1\nchain = [ { do = "gain", gain_db = 1 } ]\n', "a valid preset"),
    "o.overlay.toml": ("[stems.a]\nlevel_db = 1\n", "an overlay"),
    "n.jobs.toml": ('grammar = 1\n[[job]]\nrecipes = ["song.recipe.toml"]\n', "1 job"),
    "2026.cull.toml": ('grammar = 1\nyear = 2026\npresets_dirs = ["."]\n', "decisions about 0 presets"),
}
BROKEN = {
    "p.preset.toml": ('grammar = 1\nchain = [ { do = "gain", gian_db = 1 } ]\n', "did you mean 'gain_db'"),
    "o.overlay.toml": ("grammar = 2\n[stems.a]\nlevel_db = 1\n", "grammar"),
    "n.jobs.toml": ('grammar = 1\n[[job]]\nrecipe = ["song.recipe.toml"]\n', "did you mean 'recipes'"),
    "2026.cull.toml": ("grammar = 1\nyear = 2026\n", "presets_dirs"),
    "x.baseline.toml": ("grammar = 1\n", "baseline"),
}


@pytest.mark.parametrize("name", FILES)
def test_a_valid_file_is_named(session, chainrun, name):
    session.write('grammar = 1\n[stems.kick]\nfile = "kick.wav"\n')
    text, words = FILES[name]
    Path(name).write_text(text)
    ran = chainrun("check", name)
    assert ran.code == 0 and words in ran.out, ran.err


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_file_has_its_problems(session, chainrun, name):
    session.write('grammar = 1\n[stems.kick]\nfile = "kick.wav"\n')
    text, words = BROKEN[name]
    Path(name).write_text(text)
    ran = chainrun("check", name)
    assert ran.code == 3 and words in ran.err and "Traceback" not in ran.err, ran.err


def test_a_baseline_is_checked(chainrun, monkeypatch):
    monkeypatch.chdir(ROOT)
    assert chainrun("check", "recipes/brushes.baseline.toml").code == 0
