"""The morning after a batch: states, records, leftovers, a store that just fits, a cluster that changed."""

from __future__ import annotations

import json
import shutil
import signal
from pathlib import Path

import pytest

from chainrun.errors import Problem, ResourceError
from chainrun.problem_codes import Code
from tests import program
from tests.batch.job_files import RECIPE, heavy, pytestmark_cluster, run

# -- what an operator finds in the morning ------------------------------------------------------------------------


def test_failures_misses_and_the_count_are_reported_with_quiet_too(jobs_file, store, chainrun):
    path = jobs_file(
        """
[[job]]
recipes = ["one.recipe.toml"]
set = { "stems.kick.file" = "nobody.wav" }
[[job]]
recipes = ["two.recipe.toml"]
set = { "deliver.0.target_lufs" = -1, "deliver.0.max_dbtp" = -1 }
[[job]]
recipes = ["three.recipe.toml"]
"""
    )
    ran = chainrun("batch", path, "--quiet")
    assert ran.code == 1
    assert "failed  one" in ran.err
    assert "missed  two" in ran.err
    assert "three" not in ran.err
    assert ran.out.startswith("1 failed, 1 missed, 1 done of 3 in")


def test_a_missed_target_is_kept_next_time_and_still_missed(jobs_file, store):
    path = jobs_file(
        '[[job]]\nrecipes = ["one.recipe.toml"]\nset = { "deliver.0.target_lufs" = -1, "deliver.0.max_dbtp" = -1 }\n'
    )
    assert run(path, store=store)[1] == {"one": "missed"}
    result, states = run(path, store=store)
    assert states == {"one": "missed"}
    assert result.records["one"].kept
    assert result.failed


def test_warnings_of_jobs_are_on_the_screen(jobs_file, store, session, chainrun):
    session.write('grammar = 1\nrate_hz = 48000\n[stems.a]\nfile = "other.wav"\n[[deliver]]\nfile = "mix.wav"\n', "one")
    ran = chainrun("batch", jobs_file('[[job]]\nrecipes = ["one.recipe.toml"]\n'))
    assert "note: one: a: converted from 44100 to 48000 Hz" in ran.err


def test_a_record_that_cannot_be_written_is_reported_once_and_does_not_end_the_batch(
    jobs_file, store, chainrun, monkeypatch
):
    from chainrun.batch import record as module

    def full(path, text, what):
        raise ResourceError(
            Problem(f"{what} could not be written (No space left on device)", file=str(path), code=Code.CANNOT_WRITE)
        )

    monkeypatch.setattr(module, "write_whole", full)
    ran = chainrun("batch", jobs_file('[[job]]\nrecipes = ["*.recipe.toml"]\n'), "--workers", 1)
    assert ran.code == 5
    assert ran.err.count("batch.json cannot be written") == 1
    assert len(list(Path("night").rglob("*.wav"))) == 3


def test_a_log_on_a_full_disk_is_reported_once_and_does_not_end_the_batch(jobs_file, store, chainrun):
    if not Path("/dev/full").exists():
        pytest.skip("this system has no /dev/full")
    from chainrun.engine.log import EventLog

    said = []
    log = EventLog(None, say=said.append)
    log._file, log.path = open("/dev/full", "w"), Path("/dev/full")  # noqa: SIM115
    log.record("start")
    log.record("end")
    log.close()
    assert log.lost
    assert len(said) == 1
    assert "/dev/full" in said[0]


def test_many_kept_jobs_cost_little_record(jobs_file, store, session, monkeypatch):
    """Each job is one appended line; the whole file is written a few times, not once a job."""
    from chainrun.batch import record as module

    jobs = "".join(f'[[job]]\nrecipes = ["one.recipe.toml"]\nname = "j{i}"\n' for i in range(40))
    run(jobs_file(jobs), store=store, workers=1)
    written = []
    real = module.write_whole
    monkeypatch.setattr(module, "write_whole", lambda *a: (written.append(1), real(*a)))
    monkeypatch.setattr(module, "SHARE_OF_TIME", 0.0)
    _result, states = run(jobs_file(jobs), store=store, workers=1)
    assert set(states.values()) == {"kept"}
    assert len(written) == 1
    assert len(json.loads(Path("night/batch.json").read_text())["jobs"]) == 40
    assert not list(Path("night").glob(".*.journal"))


def test_two_batches_over_one_file_keep_each_others_records(jobs_file, store):
    path = jobs_file('[[job]]\nrecipes = ["*.recipe.toml"]\n')
    from chainrun.batch.job_record import JobRecord, JobState
    from chainrun.batch.record import BatchRecord

    Path("night").mkdir()
    first = BatchRecord(Path("night/batch.json"), ["one", "three", "two"], lambda text: None)
    run(path, store=store, jobs=("two",))  # begins later, ends earlier
    first.add(JobRecord("one", JobState.DONE, 1.0))
    first.close(1.0)
    known = {one["job"]: one["state"] for one in json.loads(Path("night/batch.json").read_text())["jobs"]}
    assert known == {"one": "done", "two": "done"}


def test_the_journal_of_a_killed_batch_is_read(jobs_file, store):
    path = jobs_file('[[job]]\nrecipes = ["*.recipe.toml"]\n')
    run(path, store=store)
    records = json.loads(Path("night/batch.json").read_text())["jobs"]
    Path("night/batch.json").unlink()
    from chainrun.whole_file import this_machine

    journal = Path(f"night/.batch.json.{this_machine()}-999999999.journal")
    journal.write_text("".join(json.dumps(one) + "\n" for one in records) + '{"job": "cut off')
    assert set(run(path, store=store)[1].values()) == {"kept"}
    assert not journal.exists()


@pytest.mark.parametrize(
    "text",
    [
        '{"jobs": ' + "[" * 100000,
        '{"jobs": [{"job": "one", "state": "done", "seconds": NaN}]}',
        '{"jobs": [{"job": "one"}]}',
        '{"jobs": [{"job": "one", "state": "done", "fingerprint": "x"}]}',
        '{"jobs": [{"job": "one", "state": "done", "files": [{"file": "a\\u0000b", "sha256": "x", "stamp": []}]}]}',
        '{"jobs": 3}',
        "[]",
        '{"jobs": [3, null]}',
        "\udcff",
    ],
)
def test_a_damaged_record_is_reported_and_its_jobs_run_again(jobs_file, store, chainrun, text):
    Path("night").mkdir()
    Path("night/batch.json").write_bytes(text.encode("utf-8", "surrogateescape"))
    ran = chainrun("batch", jobs_file('[[job]]\nrecipes = ["one.recipe.toml"]\n'))
    assert ran.code == 0, ran.err
    assert "done    one" in ran.err
    if "fingerprint" not in text:
        assert "is damaged" in ran.err


def test_a_stop_with_workers_leaves_no_parts(jobs_file, session, store):
    heavy(session)
    process = program.start(
        "batch", jobs_file('[[job]]\nrecipes = ["*.recipe.toml"]\n'), "--workers", 2, "--store", store
    )
    program.wait_until(lambda: list(store.glob("parts/*")), "the first print")
    process.send_signal(signal.SIGTERM)
    program.ended(process)
    assert list(store.glob("parts/*")) == []


def test_what_a_kill_leaves_is_counted_and_goes(jobs_file, session, store, chainrun, monkeypatch, tmp_path_factory):
    heavy(session)
    place = tmp_path_factory.mktemp("t")
    monkeypatch.setenv("TMPDIR", str(place))
    path = jobs_file('[[job]]\nrecipes = ["*.recipe.toml"]\n')
    process = program.start("batch", path, "--workers", 2, "--store", store, start_new_session=True)
    program.wait_until(lambda: list(store.glob("parts/*")), "the first print")
    process.kill()
    program.ended(process)
    program.wait_until(lambda: not program.session_of(process.pid), "the workers' end with their parent")
    assert "half-written" in chainrun("store", "info", "--store", store).out
    assert chainrun("store", "prune", "--store", store).code == 0
    assert chainrun("store", "info", "--store", store, "--json").json["parts"] == 0
    left = {path.name for path in place.iterdir() if path.name.startswith(("pymp-", "chainrun-w"))}
    assert left
    assert program.run_as_process("batch", path, "--workers", 2, "--store", store).code == 0
    assert [path.name for path in place.iterdir()] == []


def test_a_store_that_all_but_fits_renders_little_again(jobs_file, store, session, monkeypatch, chainrun):
    """The usual order would drop the prints that are needed next: every night would render everything."""
    names = [f"s{i:02d}" for i in range(10)]
    for i, name in enumerate(names):
        session.write(RECIPE.replace("-20", f"-{20 + i}"), name)
    path = jobs_file('[[job]]\nrecipes = ["s*.recipe.toml"]\n')
    result, _ = run(path, store=store, workers=1)
    from chainrun.store.store import GB, Store

    total = sum(one.n_bytes for one in Store(store).kept())
    monkeypatch.setenv("CHAINRUN_STORE_GB", str(0.85 * total / GB))
    for _ in range(3):
        shutil.rmtree("night")
        result, _ = run(path, store=store, workers=1)
    again = [
        name for name, record in result.records.items() for node in record.result.nodes.values() if not node.from_store
    ]
    assert len(again) <= 5, again  # of 20 nodes
    assert set(again) <= set(names[-3:])
    ran = chainrun("batch", path, "--store", store)
    assert "prints take up to" in ran.err
    assert "rendered again every time" in ran.err


@pytestmark_cluster
def test_a_wrong_worker_that_joins_later_gets_no_job(jobs_file, session, store, cluster, chainrun, tmp_path):
    """Another version joins while the batch runs: its job goes elsewhere, and it is named."""
    address, _ = cluster
    for name in ("one", "two", "three"):
        session.write(RECIPE.replace("-20", str(-18 - len(name))), name)
    jobs_file('[[job]]\nrecipes = ["*.recipe.toml"]\n')
    said = []
    from concurrent.futures import wait

    import distributed

    from chainrun.batch import cluster as module

    with distributed.Client(address) as client:
        client.wait_for_workers(2, timeout=30)
        wrong, _right = sorted(client.scheduler_info(n_workers=-1)["workers"])
        client.run(_pretend, workers=[wrong])
        executor = module._Executor(client, said.append)
        futures = [executor.submit(str, i) for i in range(12)]
        wait(futures)
        assert sorted(int(one.result()) for one in futures) == list(range(12))
    assert len(said) == 1
    assert wrong in said[0]
    assert "another engine" in said[0]


def _pretend():
    from chainrun.batch import cluster as module

    module._program = lambda: {"engine": "9.9"}


@pytestmark_cluster
def test_a_scheduler_that_dies_is_reported_as_such(jobs_file, session, store, cluster, cluster_scheduler):
    heavy(session)
    address, _ = cluster
    path = jobs_file('[[job]]\nrecipes = ["*.recipe.toml"]\n')
    process = program.start("batch", path, "--cluster", address)
    program.wait_until(lambda: list(store.glob("parts/*")), "the first print")
    cluster_scheduler().kill()
    ran = program.ended(process)
    assert ran.code == 5, ran.err
    assert "the scheduler died while the batch ran" in ran.err


def test_a_record_that_never_ends_or_of_another_version_is_reported(jobs_file, store, chainrun):
    """A device in its place was read until the memory was full; a newer program's record was silently ignored."""
    from chainrun.batch.record import BatchRecord

    Path("night").mkdir(exist_ok=True)
    for place in (
        lambda at: at.symlink_to("/dev/zero"),
        lambda at: at.write_text('{"schema_version": 99, "jobs": []}'),
    ):
        record = Path("night/batch.json")
        record.unlink(missing_ok=True)
        place(record)
        told = []
        assert BatchRecord(record, ["one"], told.append).before == {}
        assert len(told) == 1
        assert "of another version" in told[0]
