"""Baselines hold on another processor, and the verifier finds changes."""

from __future__ import annotations

import json
import shutil
import sys
from pathlib import Path

from chainrun.recipe import open_recipe
from chainrun.verify import baseline
from chainrun.verify.run import accept
from tests import program
from tests.verify import mutations

OTHER_KERNEL = """
import sys
from pathlib import Path
import chainrun.verify.run as run
from chainrun.verify.wording import check_text
from chainrun.recipe import Overrides, open_recipe
plain = run.build_plan
run.build_plan = lambda *one, **more: plain(*one, **(more | {"block_frames": 30000}))
verdict = run.verify_recipe(open_recipe(Path(sys.argv[1])), run.VerifyOptions(workers=2))
print(verdict.passed, [check_text(check) for check in verdict.checks])
"""


def test_baselines_hold_on_another_processor(demo, chainrun, monkeypatch, tmp_path):
    """Another BLAS kernel, block size and number of workers: other bits, the same sound."""
    monkeypatch.chdir(tmp_path)
    recipe = Path("recipes/tithe-barn.recipe.toml")
    chainrun("verify", recipe, "--accept")
    ran = program.run_code(OTHER_KERNEL, recipe, env=program.environment(OPENBLAS_CORETYPE="Prescott"))
    assert ran.out.startswith("True"), ran.out + ran.err
    assert "no audible difference" in ran.out  # and the samples are not the same


def test_mutations_of_the_demo(monkeypatch):
    """Some of the seventy of `python -m tests.bench.verifier`; tests/bench/RESULTS.md has the table of all."""
    monkeypatch.setattr(sys, "argv", ["pytest"])
    seen = mutations.run(2, every=3)
    assert len(seen) >= 4
    wrong = [one.change.name for one in seen if not one.right or (one.failed and one.audible and not one.named)]
    assert not wrong
    assert sum(one.failed for one in seen) >= 3


def test_verify_by_the_library(song):
    verdict = accept(open_recipe(song))
    assert verdict.passed and baseline.read(verdict.baseline).recipe == "song.recipe.toml"
    assert json.loads(json.dumps(verdict.record()))["accepted"]
    shutil.rmtree("out", ignore_errors=True)
