"""The library and the cull as functions for programs: typed answers, codes of problems, and locks of their own."""

from __future__ import annotations

import fcntl
import json
from pathlib import Path

import numpy as np
import pytest

from chainrun.comparison.residual import MIN_LU, matching_gain, residual_lu
from chainrun.cull.apply import Deed, apply_cull, undo_cull
from chainrun.cull.journal import Journal, Record, recorded
from chainrun.cull.operations import RetirePreset, WriteFile, operation_of
from chainrun.cull.plan import read_plan
from chainrun.cull.proposals import plan_cull
from chainrun.cull.trial import trial_likeness, try_cull
from chainrun.errors import RecipeError, ResourceError, UsageError
from chainrun.json_hash import json_hash, short_hash
from chainrun.library.progress import Progress
from chainrun.library.queries import describe_preset, find_alike, find_uses, list_presets
from chainrun.problem_codes import Code
from chainrun.recipe.address import NodeAddress, steps_around
from chainrun.recipe.step_files import steps_with_files
from chainrun.runtime import ChainRunner
from chainrun.runtime.whole_signal import run_on_time
from tests.cull.shelves import plan_file, preset, snapshot, steps
from tests.signals import noise


class Reporter(Progress):
    """Collects the messages that it gets."""

    def __init__(self):
        self.lines = []

    def unreadable(self, recipes):
        self.lines += [f"unreadable {path.name}" for path in recipes]

    def left_out(self, preset, reason):
        self.lines.append(f"left out {preset}")

    def warning(self, text):
        self.lines.append(f"warning {text}")


# -- the cull --------------------------------------------------------------------------------------------------------


def test_a_year_in_python(band, store):
    library, recipes, before = [band / "library"], ["songs/*.recipe.toml"], snapshot(band)
    preset(library[0], "lost", [{"do": "convolve", "file": "nowhere.wav"}])
    reporter = Reporter()
    proposals = plan_cull(library, recipes, year=2026, store=store, progress=reporter)
    assert reporter.lines == ["left out lost"]
    assert sum(map(proposals.count, ("replace", "retire", "keep"))) == 7  # all but the retired one
    assert proposals.count("replace") and proposals.proposals[0].decision.decision == "replace"
    (library[0] / "lost.preset.toml").unlink()
    with pytest.raises(UsageError) as refused:
        proposals.write(band / "plan.toml")
    assert refused.value.problems[0].code is Code.WRONG_FILE_NAME
    trial = try_cull(plan_file(band), store=store)
    assert {one.affected.recipe.name for one in trial.tried} == {
        "jig.recipe.toml", "reel.recipe.toml", "waltz.recipe.toml"
    }  # fmt: skip
    assert not trial.crosses and all(one.files is None for one in trial.tried)
    assert any({"kick/new", "kick/old"} <= set(group.presets) for group in trial_likeness(trial, store=store).groups)
    done = apply_cull(band / "2026.cull.toml")
    assert [one.deed for one in done] == [Deed.RETIRED, Deed.RETIRED, Deed.WROTE, Deed.WROTE]
    assert done[0].preset == "kick/old" and done[0].file.exists()
    assert apply_cull(band / "2026.cull.toml") == []
    assert [one.deed for one in undo_cull(band / "2026.cull.toml")][-1] is Deed.RESTORED
    after = snapshot(band)
    after.pop("2026.cull.toml")
    assert after == before


@pytest.mark.parametrize("act", [apply_cull, undo_cull, try_cull])
def test_the_functions_take_the_lock(band, act):
    plan = plan_file(band)
    with plan.open("rb") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        with pytest.raises(ResourceError) as refused:
            act(plan)
    assert refused.value.problems[0].code is Code.CULL_AT_WORK


def test_problems_of_a_plan_have_codes(band):
    text = (
        'preset = [ { name = "kick/odl", decision = "retire" }, { name = "kick/old", decision = "replace" }, '
        '{ name = "kick/old", decision = "replace", by = "kick/gone" } ]\n'
    )
    with pytest.raises(RecipeError) as refused:
        read_plan(plan_file(band, text))
    assert [one.code for one in refused.value.problems] == [
        Code.UNKNOWN_PRESET, Code.STANDS_TWICE, Code.MISSING_KEY, Code.SUCCESSOR_RETIRED
    ]  # fmt: skip


def test_files_of_a_cull_keep_their_form():
    """Journals and records of earlier versions are read, and written to the same bytes."""
    retired = {"preset": "a", "file": "p/a", "target": "p/retired/a", "before": "x\r\n", "after": "y\u2028"}
    wrote = {"file": "2026.overlay.toml", "text": "t"}
    operations = (operation_of(retired), operation_of(wrote))
    assert operations == (RetirePreset(**retired), WriteFile(**wrote))
    record = {"grammar": 1, "libraries": ["p"], "operations": [retired, wrote]}
    assert Record(operations, ("p",)).text() == json.dumps(record, indent=1)
    journal = {
        "grammar": 1, "direction": "apply", "operations": [retired], "earlier": [wrote], "libraries": ["p"],
        "plan_hash": "h", "record": "",
    }  # fmt: skip
    assert Journal("apply", operations[:1], operations[1:], ("p",), "h").text() == json.dumps(journal, indent=1)
    for damaged in (3, {}, {"file": "a"}, {**wrote, "text": 3}, {**wrote, "target": "b"}):
        with pytest.raises(TypeError, match="incomplete"):
            operation_of(damaged)


def test_a_record_that_leads_out_is_refused(band):
    path = band / "2026.cull.undo.json"
    path.write_text(json.dumps({"libraries": [], "operations": [{"file": "../out.overlay.toml", "text": ""}]}))
    with pytest.raises(ResourceError) as refused:
        recorded(plan_file(band))
    assert refused.value.problems[0].code is Code.CULL_RECORD_DAMAGED


# -- the library -----------------------------------------------------------------------------------------------------


def test_questions_in_python(band, store):
    library = [band / "library"]
    assert [one.name for one in list_presets(library)][:2] == ["both/in-one", "kick/gone"]
    found = describe_preset(library, "kick/new", store=store)
    assert (found.preset.since, [one["do"] for one in found.chain()]) == (2023, ["eq", "compressor"])
    uses = find_uses(library, "kick/old", ["songs/*.recipe.toml"], store=store)
    assert [one.use.node for one in uses.uses] == ["stems.kick"] * 3 and uses.inside == ("both/in-one",)
    near = find_alike(library, "kick/old", store=store).alike
    assert {"kick/new", "kick/old"} in [{one.one, one.other} for one in near]
    with pytest.raises(UsageError) as refused:
        describe_preset(library, "kick/nwe")
    assert refused.value.problems[0].code is Code.UNKNOWN_PRESET


def test_no_library_has_a_code(tmp_path, chainrun, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert chainrun("presets", "list", "--json").json["problems"][0]["code"] == "no-preset-library"
    args = ("presets", "list", "--presets", "nowhere", "--json")
    assert chainrun(*args).json["problems"][0]["code"] == "folder-not-found"


# -- what several parts of the program share ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("address", "node", "name", "inside"),
    [
        ("buses.kit.chain.glue.ratio", "buses.kit", "kit", "chain.glue.ratio"),
        ("stems.kick", "stems.kick", "kick", ""),
        ("main.chain.0", "main", "main", "chain.0"),
    ],
)
def test_addresses(address, node, name, inside):
    found = NodeAddress.of(address)
    assert (found.node, found.name, found.inside) == (node, name, inside)


def test_the_steps_around_a_key():
    assert list(steps_around("stems.kick.chain.sound.set.comp.ratio")) == [
        "stems.kick.chain.sound.comp", "stems.kick.chain.sound", "stems.kick.chain"
    ]  # fmt: skip
    assert next(steps_around("stems.kick.chain.settle.ratio")) == "stems.kick.chain.settle"
    assert list(steps_around("stems.kick.level_db")) == []


def test_steps_with_files():
    inner = {"do": "convolve", "file": "b.wav"}
    chain = [
        {"do": "convolve", "file": "a.wav", "bypass": True},
        {"do": "branches", "branches": [{"chain": [inner]}]},
        {"do": "gain", "file": "no.wav"},
    ]
    assert [path for path, _ in steps_with_files(chain)] == [(0,), (1, "branches", 0, "chain", 0)]
    assert [step for _, step in steps_with_files(chain, bypassed=False)] == [inner]


def test_a_whole_signal_comes_out_on_time(tmp_path):
    from chainrun.contract import Stream

    chain = steps(tmp_path, {"do": "limiter", "ceiling_dbtp": 0.0})
    runner = ChainRunner(chain, Stream(48000, 1))
    assert runner.latency_frames > 0
    x = noise(4800, 0.01)[None]
    assert np.allclose(run_on_time(runner, x), x, atol=1e-9)


def test_residuals_and_hashes():
    assert residual_lu(0.0, 1.0, minimum=MIN_LU) == MIN_LU and residual_lu(0.01, 1.0) == pytest.approx(-20)
    assert (matching_gain(2.0, 4.0), matching_gain(-1.0, 4.0), matching_gain(1.0, 0.0)) == (0.5, 0.0, 0.0)
    assert json_hash({"a": 1, "b": Path("x")}) == json_hash({"b": "x", "a": 1})
    assert json_hash([1]).startswith(short_hash([1]))
