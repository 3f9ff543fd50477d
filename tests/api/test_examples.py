"""Every function that programs may use has an example in its help, and the example runs."""

import inspect
import re
import shutil
import textwrap
from pathlib import Path

import pytest

import chainrun
from tests.api.test_api import SONG
from tests.signals import ROOT

FUNCTIONS = [name for name in chainrun.__all__ if inspect.isfunction(getattr(chainrun, name))]
PRESET = 'grammar = 1\nsince = 2020\nabout = "{name}"\nchain = [ {{ do = "gain", gain_db = {db} }} ]\n'


@pytest.fixture
def folder(session):
    """Everything that the examples name: a song, a place for its baseline, an earlier mix, stems, presets, plan, jobs."""
    here = session.folder
    session.write(SONG.replace('to = "kit"', 'to = "kit"\nchain = [ { preset = "loud" } ]'))
    (here / "presets").mkdir()
    for name, db in (("loud", 3), ("soft", -3)):
        (here / "presets" / f"{name}.preset.toml").write_text(PRESET.format(name=name, db=db))
    (here / "stems").mkdir()
    for one in ("kick", "snare"):
        shutil.copy(here / f"{one}.wav", here / "stems" / f"{one}.wav")
    (here / "songs.jobs.toml").write_text('grammar = 1\n[[job]]\nrecipes = ["song.recipe.toml"]\n')
    chainrun.render("song.recipe.toml", "earlier")
    for place in ("mix.wav", "before.wav"):
        shutil.copy("earlier/mix.wav", place)
    chainrun.plan_cull(["presets"], ["*.recipe.toml"], year=2026).write(Path("2026.cull.toml"))
    return here


def example(name):
    """The lines after `Example:` in a function's help."""
    text = inspect.getdoc(getattr(chainrun, name))
    found = re.search(r"^Example:\n((?:    .*\n?|\n)+)", text, re.MULTILINE)
    assert found, f"{name} has no example"
    return textwrap.dedent(found[1])


@pytest.mark.parametrize("name", FUNCTIONS)
def test_the_example_runs(name, folder):
    if name == "plan_cull":
        Path("2026.cull.toml").unlink()
    if name == "undo_cull":
        chainrun.apply_cull("2026.cull.toml")
    text = example(name)
    assert f"chainrun.{name}(" in text
    exec(compile(text, name, "exec"), {"chainrun": chainrun, "Path": Path})


def test_programs_can_do_what_commands_do():
    """Each command that works on recipes, stems or presets has its function."""
    commands = {path.stem for path in (ROOT / "chainrun" / "cli").glob("*.py")}
    of_programs = {
        "batch": "run_batch",
        "check": "check",
        "compare": "compare",
        "cull": "plan_cull",
        "draft": "draft_recipe",
        "measure": "measure",
        "pack": "make_pack",
        "render": "render",
        "survey": "survey_stems",
        "verify": "verify_recipe",
        "walkthrough": "write_walkthrough",
    }
    assert set(of_programs) <= commands
    assert set(of_programs.values()) <= set(FUNCTIONS)
