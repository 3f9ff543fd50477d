"""Records of jobs: typed in the program, the same JSON in every run."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from chainrun.batch.job_record import JobRecord, JobState
from chainrun.batch.record import BatchRecord
from chainrun.batch.summary import RenderSummary
from chainrun.recipe import open_recipe
from tests.batch.job_files import run
from tests.songs import render_opened

JOBS = """
[defaults]
overlays = ["2026.overlay.toml"]
compare = true
[[job]]
recipes = ["one.recipe.toml", "two.recipe.toml"]
[[job]]
recipes = ["three.recipe.toml"]
set = { "stems.kick.level_db" = -200 }
[[job]]
recipes = ["one.recipe.toml"]
name = "broken"
set = { "stems.kick.file" = "nobody.wav" }
[[job]]
recipes = ["one.recipe.toml"]
name = "missed"
set = { "deliver.0.target_lufs" = -1, "deliver.0.max_dbtp" = -1 }
"""


@pytest.fixture
def ended(jobs_file, store):
    Path("2026.overlay.toml").write_text('"stems.kick.chain.0.threshold_dbfs" = -6.0\n')
    return run(jobs_file(JOBS), store=store, workers=1)[0]


def test_a_record_is_read_back_as_it_was_written(ended):
    assert {one.state for one in ended.records.values()} == {JobState.DONE, JobState.FAILED, JobState.MISSED}
    for one in ended.records.values():
        text = json.dumps(one.record())
        again = JobRecord.from_record(json.loads(text))
        assert again == one
        assert json.dumps(again.record()) == text


def test_batch_json_is_read_and_written_without_a_change(ended):
    path = Path("night/batch.json")
    text = path.read_text()
    record = BatchRecord(path, list(ended.records), lambda text: None)
    assert record.before == ended.records
    record.close(json.loads(text)["seconds"])
    assert path.read_text() == text


def test_the_summary_of_a_render_holds_all_of_its_record_except_readings(session, jobs_file):
    jobs_file("")
    result = render_opened(open_recipe(Path("one.recipe.toml")))
    record = result.record()
    for node in record["nodes"].values():
        node.pop("readings")
        node.pop("wet_levels")
    assert json.dumps(RenderSummary.of(result).record()) == json.dumps(record)


@pytest.mark.parametrize(
    "record",
    [None, 3, {}, {"job": "one"}, {"job": "one", "state": "dead"}, {"job": "one", "state": "done", "result": {}}],
)
def test_an_invalid_record_counts_as_none(record):
    assert JobRecord.from_record(record) is None
