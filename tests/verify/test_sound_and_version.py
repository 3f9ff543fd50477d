"""A change of sound raises the minor version: today's baselines against its record."""

from __future__ import annotations

import shutil
import tomllib

import numpy as np
import pytest
import tomli_w

from chainrun import __version__
from chainrun.verify import baseline
from chainrun.verify.facts import from_one_line, in_one_line, packed, unpacked
from tests.signals import ROOT
from tests.verify import accepted_sound
from tests.verify.accepted_sound import RECIPES, RECORD, minor, moved, not_in_both, recorded, sounds_of, write

VERSION, WAS = recorded()
NOW = sounds_of()
NAME = "one-microphone"


def test_the_record_is_of_this_minor_version_and_of_all_recipes():
    assert minor(__version__) == VERSION, f"{RECORD.name} holds {VERSION or 'nothing'}: {accepted_sound.TAKE_IN}"
    told = not_in_both(WAS, NOW)
    assert not told, "\n".join([*told, accepted_sound.TAKE_IN])


@pytest.mark.parametrize("recipe", NOW)
def test_no_sound_has_moved_within_this_minor_version(recipe):
    told = moved(recipe, WAS.get(recipe, {}), NOW[recipe])
    assert not told, "\n".join([*told, accepted_sound.WHAT_TO_DO])


# -- it can fail -----------------------------------------------------------------------------------------------------------


@pytest.fixture
def copy(tmp_path):
    """The baselines and their record in a folder; `copy(change)` changes the delivery of one of them."""
    recipes, record = tmp_path / "recipes", tmp_path / RECORD.name
    recipes.mkdir()
    for path in RECIPES.glob("*.baseline.toml"):
        shutil.copy(path, recipes)
    shutil.copy(RECORD, record)

    def change(how):
        path = recipes / f"{NAME}.baseline.toml"
        facts = tomllib.loads(path.read_text())
        (delivery,) = facts["deliveries"].values()
        delivery["pcm_sha256"] = "0" * 64
        how(delivery)
        path.write_text(tomli_w.dumps(facts))
        baseline.read(path)
        now = sounds_of(recipes)
        return [line for recipe, held in WAS.items() for line in moved(recipe, held, now[recipe])]

    change.recipes, change.record = recipes, record
    return change


def scaled(by):
    """The sound turned up: its sketch by a factor, its levels by as many dB."""

    def how(delivery):
        delivery["sketch"] = packed(unpacked(delivery["sketch"]) * by)
        db = 20 * np.log10(by)
        delivery["third_octaves_db"] = in_one_line(from_one_line(delivery["third_octaves_db"]) + db)
        for key in ("integrated_lufs", "true_peak_dbtp", "momentary_max_lufs", "short_term_max_lufs"):
            delivery[key] = float(delivery[key] + db)

    return how


def late(delivery):
    """The same levels, another sound, as a sketch shows a shift or inverted polarity."""
    delivery["sketch"] = packed(-unpacked(delivery["sketch"]))


def longer(delivery):
    delivery["n_frames"] += 1


def test_a_step_of_a_hundredth_is_reported_with_recipe_and_residual(copy):
    told = copy(scaled(1.01))
    assert told
    assert all(line.startswith(f"{NAME}: ") for line in told)
    assert "residual -40.0 LU against the mix" in told[0]


def test_levels_alone_do_not_decide(copy):
    told = copy(late)
    assert "residual 6.0 LU against the mix" in told[0]


def test_another_length_is_reported(copy):
    n_frames = WAS[NAME][f"{NAME}.wav"]["n_frames"]
    assert f"{NAME}: length: was {n_frames}, now {n_frames + 1} frames" in copy(longer)


def test_inaudible_changes_pass(copy):
    assert copy(scaled(1.0001)) == []


def test_the_command_refuses_what_moved_within_a_version(copy):
    before = copy.record.read_bytes()
    copy(scaled(1.01))
    told = write(__version__, copy.recipes, copy.record)
    assert told[0].startswith(f"{NAME}: residual -40.0 LU")
    assert told[-1] == f"the sound of {VERSION} is recorded already: {accepted_sound.WHAT_TO_DO}"
    assert copy.record.read_bytes() == before


def test_the_command_records_a_new_minor_version(copy):
    copy(scaled(1.01))
    major, middle = accepted_sound.number(VERSION)
    newer = f"{major}.{middle + 1}"
    assert write(f"{newer}.0", copy.recipes, copy.record) == []
    assert recorded(copy.record) == (newer, sounds_of(copy.recipes))
    assert write(__version__, copy.recipes, copy.record) == [
        f"what is recorded is the sound of {newer}, and this is {__version__}"
    ]


def test_small_steps_do_not_add_up(copy):
    """Inaudible changes pass, but the record stays as it was: twenty such steps are audible, and reported."""
    copy(scaled(1.0001))
    assert write(__version__, copy.recipes, copy.record) == []
    assert recorded(copy.record) == (VERSION, WAS)
    for _ in range(20):
        copy(scaled(1.0001))
    assert write(__version__, copy.recipes, copy.record)


def test_new_and_removed_recipes_are_recorded(copy):
    (copy.recipes / "brushes.baseline.toml").rename(copy.recipes / "brooms.baseline.toml")
    told = not_in_both(WAS, sounds_of(copy.recipes))
    assert told == ["brooms: brushes.wav is new", "brushes: brushes.wav is gone"]
    assert write(__version__, copy.recipes, copy.record) == []
    assert not_in_both(recorded(copy.record)[1], sounds_of(copy.recipes)) == []


def test_a_baseline_that_was_accepted_again_is_noticed(tmp_path, chainrun):
    """The whole way: a recipe is changed, its sound accepted, and the version left as it was."""
    for folder in ("recipes/presets", f"fixtures/{NAME}"):
        shutil.copytree(ROOT / folder, tmp_path / folder)
    (tmp_path / ".chainrun-root").touch()
    path = tmp_path / "recipes" / f"{NAME}.recipe.toml"
    text = (RECIPES / path.name).read_text()
    for gain, seen in ((-4, False), (-3.5, True)):
        path.write_text(text.replace("freq_hz = 410, gain_db = -4", f"freq_hz = 410, gain_db = {gain}"))
        assert chainrun("verify", path, "--accept").code == 0
        told = moved(NAME, WAS[NAME], sounds_of(path.parent)[NAME])
        assert bool(told) is seen
        assert not seen or f"{NAME}: residual " in told[0]
