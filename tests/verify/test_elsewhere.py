"""verify, compare, sweep and the pytest plugin.

Quantities are held against ones computed here by NumPy and SciPy; that a residual 60 LU under the mix is masked, and
that steps of 0.1 dB are not heard, is common practice. Annotations are escaped as the workflow commands of hosted
CI runners document it (%, CR and LF; in properties also `:` and `,`)."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import textwrap
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from chainrun.recipe import Overrides, open_recipe
from chainrun.verify import baseline
from chainrun.verify.run import accept
from tests.bench import verifier
from tests.verify.parts import SONG

# -- across machines ---------------------------------------------------------------------------------------------------

OTHER_KERNEL = """
import sys
from pathlib import Path
from chainrun.engine import RenderOptions
import chainrun.verify.run as run
from chainrun.verify.wording import check_text
from chainrun.recipe import Overrides, open_recipe
plain = run.RenderOptions
run.RenderOptions = lambda **more: plain(**(more | {"block_frames": 30000, "workers": 2}))
verdict = run.verify_recipe(open_recipe(Path(sys.argv[1])))
print(verdict.passed, [check_text(check) for check in verdict.checks])
"""


def test_baselines_hold_on_another_processor(demo, chainrun, monkeypatch, tmp_path):
    """Another BLAS kernel, block size and number of workers: other bits, the same sound."""
    monkeypatch.chdir(tmp_path)
    recipe = Path("recipes/tithe-barn.recipe.toml")
    chainrun("verify", recipe, "--accept")
    ran = subprocess.run(
        [sys.executable, "-c", OTHER_KERNEL, str(recipe)],
        capture_output=True, text=True, env=os.environ | {"OPENBLAS_CORETYPE": "Prescott"}, timeout=120,
    )  # fmt: skip
    assert ran.stdout.startswith("True"), ran.stdout + ran.stderr
    assert "no audible difference" in ran.stdout  # and the samples are not the same


# -- the verifier itself -----------------------------------------------------------------------------------------------


def test_mutations_of_the_demo(monkeypatch):
    """Some of the seventy of `python -m tests.bench.verifier`; tests/bench/RESULTS.md has the table of all."""
    monkeypatch.setattr(sys, "argv", ["pytest"])
    seen = verifier.run(2, every=3)
    assert len(seen) >= 4
    wrong = [one.change.name for one in seen if not one.right or (one.failed and one.audible and not one.named)]
    assert not wrong
    assert sum(one.failed for one in seen) >= 3


# -- for CI --------------------------------------------------------------------------------------------------------------


def test_junit_annotations_and_summary(song, session, chainrun):
    chainrun("verify", song, "--accept")
    broken = session.write("recipe = 1\n", name="broken")
    session.write(SONG.replace("gain_db = 3", "gain_db = 6").replace("to = 30", "to = 1.5"))
    ran = chainrun("verify", song, broken, "--junit-xml", "r.xml", "--markdown", "r.md", "--format", "github")
    assert ran.code == 3
    root = ET.parse("r.xml").getroot()
    suites = {suite.get("name"): suite for suite in root}
    suite = suites["song"]
    cases = suite.findall("testcase")
    assert (suite.get("tests"), suite.get("failures")) == (str(len(cases)), str(len(suite.findall("testcase/failure"))))
    assert int(suite.get("failures")) >= 2
    named = {case.get("name"): case for case in cases}
    failed = named["expect: stems.kick.chain.squash.gain_reduction_max_db"]
    assert float(failed.find("properties/property[@name='measured']").get("value")) > 1.5
    assert suites["broken.recipe.toml"].find("testcase/error") is not None
    # The same attributes as pytest's own files have, beside the host and the time of day.
    known = {"name", "errors", "failures", "skipped", "tests", "time", "timestamp", "hostname"}
    assert all(set(one.attrib) <= known for one in root)
    assert all(set(case.attrib) == {"classname", "name", "time"} for case in root.iter("testcase"))
    lines = ran.out.splitlines()
    assert len(lines) == 2  # one a recipe and variant
    (own,) = [line for line in lines if line.startswith("::error file=song.recipe.toml,line=9,title=song%3A")]
    assert "expect: stems.kick" in own or "gain_reduction_max_db" in own
    assert "cause: first in snare" in own
    assert any(line.startswith("::error file=broken.recipe.toml") for line in lines)
    summary = Path("r.md").read_text()
    assert "| broken.recipe.toml | **not verified** |" in summary
    assert "| song | **failed** |" in summary and "first in snare" in summary


def test_annotations_are_escaped():
    from chainrun.verify.aspects import Aspect
    from chainrun.verify.checks import Check, RenderFailure
    from chainrun.verify.reports import junit, markdown, workflow_annotations
    from chainrun.verify.verdicts import Verdict

    odd = Check(Aspect.SAMPLES, False, delivery="100%", detail=RenderFailure("moved 5 %\r\nand <script>\x1b[31m"))
    verdict = Verdict("a<b>|`", Path("x,y:z.recipe.toml"), Path("b"), checks=(odd,))
    (line,) = workflow_annotations([verdict]).splitlines()
    title = "a<b>|`%3A 1 of 1 checks failed"
    assert line.endswith(f"x%2Cy%3Az.recipe.toml,title={title}::100%25: moved 5 %25%0D%0Aand <script>\x1b[31m")
    assert ET.fromstring(junit([verdict]).encode()).find("testsuite/testcase/failure") is not None
    assert "<script>" not in markdown([verdict]) and "\x1b" not in markdown([verdict])


def test_plugin_create_pass_change_fail_accept_pass(inner):
    inner("--chainrun-accept").assert_outcomes(passed=3)
    done = inner("--chainrun")
    done.assert_outcomes(passed=9)
    done.stdout.fnmatch_lines(["*song.recipe.toml::sample_peak_dbfs PASSED*", "*song.recipe.toml::loudness PASSED*"])
    recipe = inner.folder / "song.recipe.toml"
    recipe.write_text(SONG.replace("gain_db = 3", "gain_db = 8"))
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
    plain = SONG.split("[expect]")[0] + '[variants.softer]\n"buses.kit.level_db" = -9\n'
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
    recipe.write_text(SONG.split("[expect]")[0])
    assert inner("--chainrun").parseoutcomes()["failed"] == 1  # the variant is gone, its baseline is not
    recipe.write_text(plain + '[[deliver]]\nfile = "more.wav"\n')
    done = inner("--chainrun")
    done.stdout.fnmatch_lines(["*song.recipe.toml::render FAILED*", "*does not know this delivery*"])


def test_plugin_does_not_accept_in_ci(inner, monkeypatch):
    monkeypatch.setenv("CI", "woodpecker")  # whatever the runner calls itself
    done = inner("--chainrun-accept")
    assert done.ret == pytest.ExitCode.USAGE_ERROR
    assert not (inner.folder / "song.baseline.toml").exists()
    inner("--chainrun-accept", "--chainrun-force").assert_outcomes(passed=3)


def test_plugin_tells_missed_targets_and_the_expectations_of_a_base(inner):
    recipe = inner.folder / "song.recipe.toml"
    recipe.write_text(SONG.replace("bits = 24", "bits = 24\ntarget_lufs = 0\nmax_dbtp = -20"))
    done = inner("--chainrun")
    done.assert_outcomes(passed=2, failed=2)  # the target is missed, and there is no baseline
    done.stdout.fnmatch_lines(["*song.recipe.toml::render FAILED*"])
    recipe.write_text(SONG)
    (inner.folder / "above.recipe.toml").write_text('recipe = 1\nbase = "song.recipe.toml"\n')
    done = inner("--chainrun", "above.recipe.toml")
    done.assert_outcomes(passed=3, failed=1)
    done.stdout.fnmatch_lines(["*above.recipe.toml::sample_peak_dbfs PASSED*"])


@pytest.mark.parametrize("odd", ["expect = 3", "expect = [1]", "[expect]\nx = 4", "[expect.tolerance]\nx = 1"])
def test_plugin_outlives_an_odd_expect(inner, odd):
    head = SONG.split("[expect]")[0]
    text = head + odd if odd.startswith("[") else odd + "\n" + head
    (inner.folder / "song.recipe.toml").write_text(text)
    inner("--chainrun").assert_outcomes(failed=1)


def test_plugin_is_asleep_until_asked(inner):
    assert inner().ret == pytest.ExitCode.NO_TESTS_COLLECTED
    (inner.folder / "pytest.ini").write_text("[pytest]\nchainrun = true\naddopts = --strict-markers\n")
    done = inner("-m", "chainrun")
    done.assert_outcomes(passed=3, failed=1)  # it has no baseline yet
    (inner.folder / "song.recipe.toml").write_text(SONG.replace("ratio = 4", "ratio = 0.1"))
    done = inner()
    done.assert_outcomes(failed=1)
    done.stdout.fnmatch_lines(["*song.recipe.toml:5:*ratio*out of range*"])


def test_plugin_imports_nothing_it_does_not_need():
    code = "import sys, chainrun.pytest_plugin; print([m for m in ('numpy', 'scipy', 'pydantic', 'typer') if m in sys.modules])"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert ran.stdout.strip() == "[]"


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


def test_verify_on_the_house_api(song):
    verdict = accept(open_recipe(song))
    assert verdict.passed and baseline.read(verdict.baseline).recipe == "song.recipe.toml"
    assert json.loads(json.dumps(verdict.record()))["accepted"]
    shutil.rmtree("out", ignore_errors=True)
