"""A defect in one job is reported like a command's, without the user's names; the other jobs continue."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from chainrun.batch import job
from chainrun.batch.job_record import JobState
from chainrun.problem_codes import Code
from tests.batch.job_files import run

SECRET = "/home/somebody/secret-session/vocals.wav"
JOBS = '[[job]]\nrecipes = ["*.recipe.toml"]\n'


@pytest.fixture
def planted(jobs_file, tmp_path_factory, monkeypatch):
    """A batch of three jobs, the second of which meets a defect; and the folder of its report."""
    place = tmp_path_factory.mktemp("t")
    monkeypatch.setattr("tempfile.tempdir", str(place))
    real = job.render

    def broken(plan, *arguments, **options):
        if plan.origin.name == "three":
            try:
                raise KeyError(SECRET)
            except KeyError as error:
                raise ValueError(f"cannot mix {SECRET}") from error
        return real(plan, *arguments, **options)

    monkeypatch.setattr(job, "render", broken)
    return jobs_file(JOBS), place


def test_a_defect_is_reported_and_the_other_jobs_are_done(planted, store):
    path, place = planted
    result, states = run(path, store=store, workers=1)
    assert states == {"one": "done", "three": "failed", "two": "done"}
    record = result.records["three"]
    assert (record.state, record.exit_code) == (JobState.FAILED, 70)
    assert [one.code for one in record.problems] == [Code.DEFECT]
    line = r"chainrun has a defect: ValueError at .+\.py:\d+; details \(without your file names\): (.+)"
    told = re.fullmatch(line, record.error)
    assert told is not None, record.error
    report = Path(told[1])
    assert report.parent == place
    assert "command: batch" in report.read_text()
    assert "builtins.KeyError" in report.read_text()


def test_a_defects_message_is_in_no_file_and_on_no_screen(planted, store, chainrun, monkeypatch):
    """Its message may hold paths of the user: batch.json, journal, log and report are sent to strangers."""
    path, place = planted
    journals = []
    from chainrun.batch.record import BatchRecord

    real = BatchRecord.close

    def close(self, seconds):
        journals.extend(one.read_text() for one in Path("night").glob(".*.journal"))
        real(self, seconds)

    monkeypatch.setattr(BatchRecord, "close", close)
    ran = chainrun("batch", path, "--workers", 1, "--log", "night.jsonl", "--report", "page.html", "--json")
    assert ran.code == 1
    assert "failed  three" in ran.err
    texts = [ran.out, ran.err, *journals]
    texts += [Path(name).read_text() for name in ("night/batch.json", "night.jsonl", "page.html")]
    reports = [one.read_text() for one in place.glob("chainrun-defect-*.txt")]
    assert (len(journals), len(reports)) == (1, 1)
    for text in [*texts, *reports]:
        assert "secret-session" not in text
        assert "somebody" not in text
    for text in texts:
        assert "chainrun has a defect: ValueError" in text
    events = [json.loads(line) for line in Path("night.jsonl").read_text().splitlines()]
    assert [one["exit_code"] for one in events if one["event"] == "error"] == [70]
    assert ran.json["jobs"][1]["problems"][0]["code"] == "defect"


def test_a_traceback_is_shown_where_it_is_asked_for(planted, store, monkeypatch):
    path, _ = planted
    monkeypatch.setenv("CHAINRUN_TRACEBACK", "1")
    with pytest.raises(ValueError, match="secret-session"):
        run(path, store=store, workers=1)
