"""The pytest plugin: create, pass, change, fail, accept; asleep until asked."""

from __future__ import annotations

import textwrap
import xml.etree.ElementTree as ET

import pytest

from chainrun.recipe import Overrides, open_recipe
from chainrun.verify.run import accept
from tests import program
from tests.songs import JUDGED


def test_plugin_create_pass_change_fail_accept_pass(inner):
    inner("--chainrun-accept").assert_outcomes(passed=3)
    done = inner("--chainrun")
    done.assert_outcomes(passed=9)
    done.stdout.fnmatch_lines(["*song.recipe.toml::sample_peak_dbfs PASSED*", "*song.recipe.toml::loudness PASSED*"])
    recipe = inner.folder / "song.recipe.toml"
    recipe.write_text(JUDGED.replace("gain_db = 3", "gain_db = 8"))
    done = inner("--chainrun", "--junit-xml=j.xml")
    assert done.parseoutcomes()["failed"] >= 2
    done.stdout.fnmatch_lines(["*song.recipe.toml::spectrum FAILED*", "*song.recipe.toml::residual FAILED*"])
    done.stdout.fnmatch_lines(["*FAIL*residual*", "*cause: first in snare*"])
    assert "Traceback" not in done.stdout.str()
    names = {one.get("name") for one in ET.parse(inner.folder / "j.xml").getroot().iter("property")}
    assert any(name.endswith(" measured") for name in names)
    inner("--chainrun-accept").assert_outcomes(passed=3)
    inner("--chainrun").assert_outcomes(passed=9)


def test_plugin_and_variants_and_new_deliveries(inner):
    recipe = inner.folder / "song.recipe.toml"
    plain = JUDGED.split("[expect]")[0] + '[variants.softer]\n"buses.kit.level_db" = -9\n'
    recipe.write_text(plain)
    accept(open_recipe(recipe, Overrides("softer")))
    done = inner("--chainrun")
    done.assert_outcomes(passed=8, failed=1)  # the recipe itself has no baseline
    done.stdout.fnmatch_lines(["*song.recipe.toml::loudness+softer PASSED*", "*song.recipe.toml::baseline FAILED*"][:1])
    accept(open_recipe(recipe))
    recipe.write_text(plain.replace("kit.level_db", "kit.levle_db"))
    done = inner("--chainrun")
    assert done.parseoutcomes()["failed"] == 1
    done.stdout.fnmatch_lines(["*song.recipe.toml::recipe+softer FAILED*"])
    recipe.write_text(JUDGED.split("[expect]")[0])
    assert inner("--chainrun").parseoutcomes()["failed"] == 1  # the variant is gone, its baseline is not
    recipe.write_text(plain + '[[deliver]]\nfile = "more.wav"\n')
    done = inner("--chainrun")
    done.stdout.fnmatch_lines(["*song.recipe.toml::render FAILED*", "*this delivery is not in the baseline*"])


def test_plugin_does_not_accept_in_ci(inner, monkeypatch):
    monkeypatch.setenv("CI", "woodpecker")  # whatever the runner calls itself
    done = inner("--chainrun-accept")
    assert done.ret == pytest.ExitCode.USAGE_ERROR
    assert not (inner.folder / "song.baseline.toml").exists()
    inner("--chainrun-accept", "--chainrun-force").assert_outcomes(passed=3)


def test_plugin_reports_missed_targets_and_the_expectations_of_a_base(inner):
    recipe = inner.folder / "song.recipe.toml"
    recipe.write_text(JUDGED.replace("bits = 24", "bits = 24\ntarget_lufs = 0\nmax_dbtp = -20"))
    done = inner("--chainrun")
    done.assert_outcomes(passed=2, failed=2)  # the target is missed, and there is no baseline
    done.stdout.fnmatch_lines(["*song.recipe.toml::render FAILED*"])
    recipe.write_text(JUDGED)
    (inner.folder / "above.recipe.toml").write_text('grammar = 1\nbase = "song.recipe.toml"\n')
    done = inner("--chainrun", "above.recipe.toml")
    done.assert_outcomes(passed=3, failed=1)
    done.stdout.fnmatch_lines(["*above.recipe.toml::sample_peak_dbfs PASSED*"])


@pytest.mark.parametrize("odd", ["expect = 3", "expect = [1]", "[expect]\nx = 4", "[expect.tolerance]\nx = 1"])
def test_plugin_survives_an_odd_expect(inner, odd):
    head = JUDGED.split("[expect]")[0]
    text = head + odd if odd.startswith("[") else odd + "\n" + head
    (inner.folder / "song.recipe.toml").write_text(text)
    inner("--chainrun").assert_outcomes(failed=1)


def test_plugin_is_asleep_until_asked(inner):
    assert inner().ret == pytest.ExitCode.NO_TESTS_COLLECTED
    (inner.folder / "pytest.ini").write_text("[pytest]\nchainrun = true\naddopts = --strict-markers\n")
    done = inner("-m", "chainrun")
    done.assert_outcomes(passed=3, failed=1)  # it has no baseline yet
    (inner.folder / "song.recipe.toml").write_text(JUDGED.replace("ratio = 4", "ratio = 0.1"))
    done = inner()
    done.assert_outcomes(failed=1)
    done.stdout.fnmatch_lines(["*song.recipe.toml:5:*ratio*out of range*"])


def test_plugin_imports_nothing_it_does_not_need():
    code = "import sys, chainrun.pytest_plugin; print([m for m in ('numpy', 'scipy', 'pydantic', 'typer') if m in sys.modules])"
    ran = program.run_code(code)
    assert ran.out.strip() == "[]"


def test_plugin_fixtures(inner):
    (inner.folder / "test_mix.py").write_text(
        textwrap.dedent(
            """
            def test_mix(render_recipe, measure):
                result = render_recipe("song.recipe.toml", sets=["buses.kit.level_db=-10"])
                file = result.deliveries[0].file
                assert measure(file).sample_peak_dbfs < -3
                assert result.reading_at("stems.kick.chain.squash.gain_reduction_max_db") > 1
                other = render_recipe("song.recipe.toml")
                assert other.deliveries[0].file != file and measure(file).sample_peak_dbfs < -3
            """
        )
    )
    inner().assert_outcomes(passed=1)
