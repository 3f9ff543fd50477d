"""Verify has no holes: CI writes nothing, and a recipe without a baseline fails by name, also in pytest."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.songs import JUDGED

PLAIN = JUDGED[: JUDGED.index("[expect]")]
WITH_VARIANT = PLAIN + '[variants.soft]\n"buses.kit.level_db" = -12\n'


@pytest.mark.parametrize("ci", ["true", ""])
def test_nothing_is_written_without_accept_and_a_second_run_fails_too(session, chainrun, monkeypatch, ci):
    monkeypatch.setenv("CI", ci)
    song = session.write(PLAIN)
    for _ in range(2):
        ran = chainrun("verify", song)
        assert (ran.code, "there is no baseline song.baseline.toml" in ran.out) == (1, True)
        assert "--accept" in ran.out
    assert not Path("song.baseline.toml").exists()


def test_a_variant_without_its_baseline_fails_by_name(session, chainrun):
    song = session.write(WITH_VARIANT)
    assert chainrun("verify", song, "--accept").code == 0
    assert Path("song+soft.baseline.toml").exists()
    assert chainrun("verify", song).code == 0
    Path("song+soft.baseline.toml").unlink()
    ran = chainrun("verify", song)
    assert ran.code == 1
    assert "song (soft): failed" in ran.out
    assert "there is no baseline song+soft.baseline.toml" in ran.out


def test_a_recipe_may_say_that_it_has_no_baseline(session, chainrun):
    song = session.write(JUDGED.replace("[expect]", '[expect]\nbaseline = "none"'))
    assert chainrun("verify", song).code == 0
    assert not Path("song.baseline.toml").exists()
    ran = chainrun("check", session.write(JUDGED.replace("[expect]", '[expect]\nbaseline = "never"')))
    assert ran.code == 3


@pytest.fixture
def inner(pytester, monkeypatch):
    import numpy as np
    import soundfile

    from tests.signals import drums

    for name, seed in (("kick", 1), ("snare", 2)):
        x = drums(24000, seed=seed) * 0.5
        soundfile.write(pytester.path / f"{name}.wav", np.asarray(x), 48000, subtype="FLOAT")
    monkeypatch.setenv("CHAINRUN_STORE", str(pytester.path / "store"))

    def run(*arguments, text=WITH_VARIANT):
        (pytester.path / "song.recipe.toml").write_text(text)
        return pytester.runpytest_subprocess("--chainrun", "-p", "no:cacheprovider", *arguments)

    return run


def test_pytest_fails_where_baselines_are_gone(inner, pytester):
    result = inner()
    result.assert_outcomes(passed=2, failed=2)
    result.stdout.fnmatch_lines(
        ["*there is no baseline song.baseline.toml*", "*there is no baseline song+soft.baseline.toml*"]
    )
    assert not list(pytester.path.glob("*.baseline.toml"))
    inner("--chainrun-accept").assert_outcomes(passed=2)
    (pytester.path / "song+soft.baseline.toml").unlink()
    result = inner()
    assert result.parseoutcomes()["failed"] == 1
    result.stdout.fnmatch_lines(["*baseline+soft*"])
