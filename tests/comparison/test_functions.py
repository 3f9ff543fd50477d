"""Recipes compared and swept from Python, what moves most, the residual's meter and changes of the image."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from chainrun.comparison.before_after import largest_change, render_before_after
from chainrun.comparison.image import ImageChangeKind, image_changes, image_words
from chainrun.comparison.limits import Floor
from chainrun.comparison.pairs import Compared, compare_recipes
from chainrun.comparison.residual import ResidualMeter
from chainrun.comparison.sweep import ValuesOfKey, sweep
from chainrun.comparison.verdict import residual_words
from chainrun.delivery import RenderOptions
from chainrun.errors import UsageError
from chainrun.problem_codes import Code
from chainrun.recipe import Overrides
from tests.signals import RATE, noise
from tests.songs import JUDGED

PLAIN = JUDGED.partition("[expect]")[0]


def test_compare_and_sweep_from_python(session):
    path = session.write(PLAIN + '[variants.softer]\n"buses.kit.level_db" = -9\n')
    found = compare_recipes(Compared(path), Compared(path, "softer"))
    assert found.gain_db == pytest.approx(3.0, abs=0.01) and found.inaudible(Floor())
    with pytest.raises(UsageError) as refused:
        compare_recipes(Compared(Path("kick.wav"), "softer"), Compared(path))
    assert refused.value.problems[0].code is Code.NOT_COMPARABLE
    swept = sweep(path, ValuesOfKey.of("stems.kick.chain.squash.ratio=2,8"), Path("swept"))
    first, second = swept.rows()
    assert (first.value, first.residual_lu, second.value) == ("2", None, "8")
    assert second.gain_reduction_max_db > first.gain_reduction_max_db
    assert Path(second.matched).exists()
    with pytest.raises(UsageError) as refused:
        ValuesOfKey.of("stems.kick.level_db=2")
    assert refused.value.problems[0].code is Code.BAD_SWEEP


def test_the_delivery_that_moves_most(session):
    more = '[[deliver]]\nfile = "kick.wav"\nwhat = "stems.kick"\n'
    path = session.write(PLAIN + more)
    changed = Overrides(sets=("stems.snare.chain.0.bands.0.gain_db=9",))
    pair = render_before_after(path, Overrides(), changed, Path("louder"), options=RenderOptions())
    assert largest_change(pair.before.deliveries, pair.after.deliveries).after.name == "mix.wav"
    pair = render_before_after(path, Overrides(), Overrides(), Path("same"), options=RenderOptions())
    assert largest_change(pair.before.deliveries, pair.after.deliveries) is None
    assert pair.largest_change().difference.identical


# -- the residual, and the image ---------------------------------------------------------------------------------------


def test_the_residual_of_a_share_of_the_sound():
    meter = ResidualMeter(RATE, 2)
    x = np.stack([noise(RATE, seed=1), noise(RATE, seed=2)])
    for share in (0.01, 0.1):
        meter.feed(share * x, x)
    assert meter.by_step_lu() == pytest.approx((-40, -20), abs=0.1)
    assert meter.lu() == pytest.approx(10 * np.log10((0.01**2 + 0.1**2) / 2), abs=0.1)


def test_a_residual_in_words():
    assert residual_words(-43.21) == "residual -43.2 LU"
    assert residual_words(-np.inf) == "no residual"
    assert residual_words(np.inf) == "residual undefined: the original is silent"


def test_changes_of_the_image():
    a = np.diag([1.0, 1.0])
    (lost,) = image_changes(a, np.diag([1.0, 0.0]), np.diag([1.0, 0.0]))
    assert lost.kind is ImageChangeKind.SIDE_LOST
    assert image_words([lost]) == ["has no right side"]
    (leans,) = image_changes(a, np.diag([1.0, 2.0]), np.diag([1.0, 4.0]))
    assert (leans.kind, round(leans.louder_db, 1)) == (ImageChangeKind.LEANS, 6.0)
    assert image_changes(a, a, a) == ()
