"""Batches: many renders that can be killed, gone on with, split, and handed to a cluster."""

from __future__ import annotations

import json
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
import soundfile

from chainrun.batch import BatchOptions, open_jobs, run_batch
from chainrun.errors import Problem, RecipeError, ResourceError
from tests.signals import noise
from tests.test_commands import children_of

RECIPE = """recipe = 1
[stems.kick]
file = "kick.wav"
chain = [ { do = "compressor", threshold_db = -20 } ]
[main]
chain = []
[[deliver]]
file = "{recipe}.wav"
[variants.loud]
"main.chain" = [ { do = "gain", gain_db = 3 } ]
"""


@pytest.fixture
def night(session):
    """A folder with three recipes, and `night(text)` to write a file of jobs."""
    for name in ("one", "two", "three"):
        session.write(RECIPE.replace("-20", str(-18 - len(name))), name)

    def write(text):
        Path("night.jobs.toml").write_text(f'jobs = 1\nout = "night"\n{text}')
        return Path("night.jobs.toml")

    return write


def run(path, **options):
    result = run_batch(open_jobs(path), BatchOptions(**options))
    return result, {name: record["state"] for name, record in result.records.items()}


def test_globs_overrides_and_folders_of_their_own(night, store, session):
    (session.folder / "take2").mkdir()
    soundfile.write("take2/kick.wav", noise(24000, 0.1, seed=7), 48000)
    Path("2026.overlay.toml").write_text('"stems.kick.level_db" = -6.0\n')
    path = night(
        """
[defaults]
overlays = ["2026.overlay.toml"]
[[job]]
recipes = ["*.recipe.toml"]
[[job]]
recipes = ["one.recipe.toml"]
variant = "loud"
[[job]]
recipes = ["one.recipe.toml"]
name = "take-2"
stems_dir = "take2"
overlays = []
set = { "stems.kick.chain.0.threshold_db" = -30, "stems.kick.note" = "a \\"note\\"" }
out = "elsewhere"
"""
    )
    result, states = run(path, store=store)
    assert list(states) == ["one", "three", "two", "one.loud", "take-2"]
    assert set(states.values()) == {"done"}
    for place in ("night/one/one.wav", "night/one.loud/one.wav", "night/two/two.wav", "elsewhere/one.wav"):
        assert Path(place).exists(), place
    document = json.loads(Path("night/batch.json").read_text())
    assert document["schema_version"] == 1
    assert [record["job"] for record in document["jobs"]] == list(states)
    assert result.records["take-2"]["result"]["deliveries"][0]["measured"]["n_channels"] == 2


def test_a_second_run_does_what_is_not_done_or_changed(night, store, session):
    path = night('[[job]]\nrecipes = ["*.recipe.toml"]\n')
    run(path, store=store)
    assert set(run(path, store=store)[1].values()) == {"kept"}
    session.write(RECIPE.replace("-20", "-25"), "two")
    Path("night/three/three.wav").unlink()
    assert run(path, store=store)[1] == {"one": "kept", "three": "done", "two": "done"}
    data = bytearray(Path("night/one/one.wav").read_bytes())
    data[5000] ^= 1
    Path("night/one/one.wav").write_bytes(bytes(data))
    assert run(path, store=store)[1] == {"one": "done", "three": "kept", "two": "kept"}
    Path("night/batch.json").write_text("{ half a docu")
    assert set(run(path, store=store)[1].values()) == {"done"}


def test_one_bad_job_does_not_end_the_night(night, store, chainrun):
    path = night(
        """
[[job]]
recipes = ["one.recipe.toml"]
set = { "stems.kick.file" = "nobody.wav" }
[[job]]
recipes = ["two.recipe.toml"]
set = { "stems.kick.level_db" = "loud" }
[[job]]
recipes = ["three.recipe.toml"]
"""
    )
    ran = chainrun("batch", path, "--json")
    assert ran.code == 1
    states = {record["job"]: record["state"] for record in ran.json["jobs"]}
    assert states == {"one": "failed", "two": "failed", "three": "done"}
    assert [record["exit_code"] for record in ran.json["jobs"] if record["state"] == "failed"] == [4, 3]
    assert "nobody.wav" in ran.json["jobs"][0]["error"]
    assert "failed  one" in ran.err
    ran = chainrun("batch", path, "--fail-fast", "--json", "--workers", 1)
    assert [record["state"] for record in ran.json["jobs"]][-1] == "not run"
    stopping = night(
        'on_error = "stop"\n[[job]]\nrecipes = ["two.recipe.toml"]\nset = { "stems.kick.level_db" = "loud" }\n[[job]]\nrecipes = ["three.recipe.toml"]\n'
    )
    assert [record["state"] for record in chainrun("batch", stopping, "--json").json["jobs"]] == ["failed", "not run"]


def test_two_jobs_that_would_write_one_file_are_refused_beforehand(night, store):
    path = night(
        '[[job]]\nrecipes = ["one.recipe.toml"]\nout = "same"\n'
        '[[job]]\nrecipes = ["one.recipe.toml"]\nname = "other"\nset = { "stems.kick.level_db" = -3 }\nout = "./same"\n'
    )
    with pytest.raises(RecipeError, match="two jobs would write the same file"):
        run(path, store=store)
    assert not Path("same").exists()


def test_no_job_writes_over_what_another_one_reads(night, store, session):
    """One job's delivery has the name and place of another job's stem: the recording would be gone."""
    session.write('recipe = 1\n[stems.a]\nfile = "pair.wav"\n[[deliver]]\nfile = "kick.wav"\n', "maker")
    before = Path("kick.wav").read_bytes()
    text = '[[job]]\nrecipes = ["maker.recipe.toml"]\nout = "."\n[[job]]\nrecipes = ["one.recipe.toml"]\n'
    for only in (None, "maker"):
        with pytest.raises(RecipeError, match=r"over an input.*written by maker, read by one"):
            run(night(text), store=store, only=only)
    session.write(
        'recipe = 1\n[stems.a]\nfile = "pair.wav"\n[[deliver]]\nfile = "batch.wav"\nsidecar = true\n', "maker"
    )
    with pytest.raises(RecipeError, match="the batch's own record"):
        run(night('[[job]]\nrecipes = ["maker.recipe.toml"]\nout = "night"\n'), store=store)
    assert Path("kick.wav").read_bytes() == before


def test_a_lost_sidecar_is_made_again_and_what_was_not_begun_stays_done(night, store, session):
    session.write('recipe = 1\n[stems.a]\nfile = "pair.wav"\n[[deliver]]\nfile = "mix.wav"\nsidecar = true\n', "one")
    text = '[[job]]\nrecipes = ["one.recipe.toml"]\n[[job]]\nrecipes = ["two.recipe.toml"]\n'
    assert set(run(night(text), store=store)[1].values()) == {"done"}
    Path("night/one/mix.json").unlink()
    assert run(night(text), store=store)[1] == {"one": "done", "two": "kept"}
    session.write("recipe = 1\n", "one")
    assert run(night('on_error = "stop"\n' + text), store=store)[1] == {"one": "failed", "two": "not run"}
    known = {one["job"]: one["state"] for one in json.loads(Path("night/batch.json").read_text())["jobs"]}
    assert known["two"] in ("done", "kept")
    assert run(night(text), store=store)[1]["two"] == "kept"


def test_one_gain_is_one_whatever_part_is_rendered(night, store):
    text = 'one_gain = { target_lufs = -20 }\n[[job]]\nrecipes = ["*.recipe.toml"]\n'

    def gains(**options):
        records = run(night(text), store=store, **options)[0].records
        return {name: one["result"]["deliveries"][0]["gain_db"] for name, one in records.items()}

    whole = gains()
    assert len(set(whole.values())) == 1
    shutil.rmtree("night")
    parts = gains(shard="1/2") | gains(shard="2/2")
    assert parts == whole
    shutil.rmtree("night")
    assert gains(only="three") == {"three": whole["three"]}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[[job]]\nrecipes = ["no*.recipe.toml"]\n', "no recipe is found"),
        ('[[job]]\nrecipes = ["one.recipe.toml"]\n[[job]]\nrecipes = ["one.recipe.toml"]\n', "two jobs have one name"),
        ('[[job]]\nrecipes = ["*.recipe.toml"]\nname = "x"\n', "a name goes with one recipe"),
        ('[[job]]\nrecipe = ["one.recipe.toml"]\n', "did you mean 'recipes'?"),
        ('on_error = "shrug"\n[[job]]\nrecipes = ["one.recipe.toml"]\n', '"stop", "continue"'),
    ],
)
def test_mistakes_in_a_file_of_jobs(night, chainrun, text, said):
    ran = chainrun("batch", night(text))
    assert (ran.code, said in ran.err) == (3, True), ran.err
    assert "night.jobs.toml:" in ran.err


def test_shards_and_names(night, store, chainrun):
    path = night('[[job]]\nrecipes = ["*.recipe.toml"]\n')
    parts = [set(run(path, store=store, shard=f"{k}/2")[1]) for k in (1, 2)]
    assert parts == [{"one", "two"}, {"three"}]
    assert Path("night/batch.2-of-2.json").exists()
    assert list(run(path, store=store, only="three,one")[1]) == ["one", "three"]
    assert chainrun("batch", path, "--only", "tree").code == 2
    assert chainrun("batch", path, "--shard", "3/2").code == 2


def test_jobs_side_by_side_make_the_same_files(night, store, tmp_path_factory):
    path = night('[[job]]\nrecipes = ["*.recipe.toml"]\n')
    alone, _ = run(path, store=store, workers=1)
    both, _ = run(path, store=tmp_path_factory.mktemp("other"), workers=3, log=Path("night.jsonl"))
    Path("night/batch.json").unlink()
    for name, record in alone.records.items():
        assert both.records[name]["files"][0]["sha256"] == record["files"][0]["sha256"]
    events = [json.loads(line) for line in Path("night.jsonl").read_text().splitlines()]
    assert {e["job"] for e in events if e["event"] == "job_end"} == {"one", "two", "three"}


def heavy(session):
    soundfile.write("kick.wav", noise(48000 * 15, 0.005), 48000)
    text = RECIPE.replace("chain = [", 'chain = [ { do = "saturate" }, { do = "saturate" }, { do = "saturate" },')
    for name in ("one", "two", "three"):
        session.write(text.replace("-20", str(-18 - len(name))), name)


def program(*arguments):
    return subprocess.Popen(
        [sys.executable, "-m", "chainrun", *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def killed(night, session, store, moments):
    heavy(session)
    path = night('[[job]]\nrecipes = ["*.recipe.toml"]\n')
    expected, _ = run(path)
    expected = {name: record["files"][0]["sha256"] for name, record in expected.records.items()}
    for place in Path("night").rglob("*.wav"):
        place.unlink()
    Path("night/batch.json").unlink()
    for moment in moments:
        process = program("batch", path, "--store", store, "--workers", 2)
        time.sleep(moment * 4)
        process.kill()
        process.communicate()
        for name in expected:
            place = Path(f"night/{name}/{name}.wav")
            if place.exists():
                from chainrun.audiofile.read import hash_content

                assert hash_content(place) == expected[name], "no half file under a final name"
    result, states = run(path, store=store)
    assert {name: record["files"][0]["sha256"] for name, record in result.records.items()} == expected
    assert set(states.values()) <= {"done", "kept"}
    assert not list(Path("night").rglob(".*.part"))


def test_a_killed_batch_goes_on(night, session, store):
    rng = random.Random(3)
    killed(night, session, store, [rng.random() for _ in range(3)])


@pytest.mark.soak
def test_a_batch_killed_at_twenty_moments(night, session, store):
    rng = random.Random(4)
    killed(night, session, store, [rng.random() for _ in range(20)])


def test_an_interrupted_batch_leaves_no_child(night, session, store):
    heavy(session)
    process = program("batch", night('[[job]]\nrecipes = ["*.recipe.toml"]\n'), "--workers", 2)
    deadline = time.monotonic() + 30
    while not list(store.glob("parts/*")) and time.monotonic() < deadline:
        time.sleep(0.02)
    children = [child for one in children_of(process.pid) for child in (one, *children_of(one))]
    process.send_signal(signal.SIGTERM)
    _, err = process.communicate(timeout=20)
    assert process.returncode == 143, err
    deadline = time.monotonic() + 5
    while any(Path(f"/proc/{child}").exists() for child in children) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not [child for child in children if Path(f"/proc/{child}").exists()]


# -- a cluster -------------------------------------------------------------------------------------------------


SCHEDULERS = []


@pytest.fixture
def cluster_scheduler():
    """The process of the newest scheduler."""
    return lambda: SCHEDULERS[-1]


@pytest.fixture
def cluster(tmp_path_factory):
    """A scheduler and two worker processes on loopback, as an operator starts them."""
    pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    import os
    import socket

    folder = tmp_path_factory.mktemp("cluster")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    address = f"tcp://127.0.0.1:{port}"
    environment = {**os.environ, "PYTHONWARNINGS": "ignore"}

    def start(*arguments):
        return subprocess.Popen(
            [sys.executable, "-m", *arguments],
            cwd=folder,
            env=environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

    running = [start("distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard")]
    for name in ("w1", "w2"):
        running.append(
            start(
                "distributed.cli.dask_worker",
                address,
                "--nthreads",
                "1",
                "--no-nanny",
                "--name",
                name,
                "--no-dashboard",
            )
        )
    SCHEDULERS.append(running[0])
    yield address, running[1:]
    for process in reversed(running):
        process.kill()
        process.wait()


pytestmark_cluster = pytest.mark.filterwarnings("ignore")


@pytestmark_cluster
def test_a_cluster_makes_the_same_files(night, session, store, cluster, chainrun):
    address, _ = cluster
    path = night('[[job]]\nrecipes = ["*.recipe.toml"]\n')
    alone, _ = run(path)
    Path("night/batch.json").unlink()
    ran = chainrun("batch", path, "--cluster", address, "--json")
    assert ran.code == 0, ran.err
    for record in ran.json["jobs"]:
        assert record["files"][0]["sha256"] == alone.records[record["job"]]["files"][0]["sha256"]


@pytestmark_cluster
def test_a_killed_cluster_worker_costs_its_own_job_alone(night, session, store, cluster):
    address, workers = cluster
    heavy(session)
    path = night('[[job]]\nrecipes = ["*.recipe.toml"]\n')
    process = program("batch", path, "--cluster", address, "--json", "--log", "night.jsonl")
    deadline = time.monotonic() + 60
    while not list(store.glob("parts/*")) and time.monotonic() < deadline:
        time.sleep(0.02)
    workers[0].kill()
    out, err = process.communicate(timeout=120)
    assert process.returncode == 0, err
    assert [record["state"] for record in json.loads(out)["jobs"]] == ["done"] * 3
    assert len(list(Path("night").rglob("*.wav"))) == 3


@pytestmark_cluster
def test_workers_that_do_not_match_are_told(night, store, cluster, monkeypatch):
    from chainrun.batch import cluster as module

    address, _ = cluster
    path = night('[[job]]\nrecipes = ["one.recipe.toml"]\n')
    real = module.surroundings
    monkeypatch.setattr(module, "surroundings", lambda block: {**real(block), "engine": "9.9"})
    with pytest.raises(ResourceError, match="runs another engine"):
        run(path, store=store, cluster=address)


def test_no_cluster_there(night, chainrun, monkeypatch):
    pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    from chainrun.batch import cluster as module

    monkeypatch.setattr(module, "PATIENCE_S", 0.5)
    path = night('[[job]]\nrecipes = ["one.recipe.toml"]\n')
    ran = chainrun("batch", path, "--cluster", "somewhere")
    assert (ran.code, "local:N, or tcp://HOST:PORT" in ran.err) == (2, True)
    ran = chainrun("batch", path, "--cluster", "local:many")
    assert ran.code == 2


# -- what an operator finds in the morning ------------------------------------------------------------------------


def test_failures_misses_and_the_count_are_told_with_quiet_too(night, store, chainrun):
    path = night(
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


def test_a_missed_target_is_kept_next_night_and_still_missed(night, store):
    path = night(
        '[[job]]\nrecipes = ["one.recipe.toml"]\nset = { "deliver.0.target_lufs" = -1, "deliver.0.max_dbtp" = -1 }\n'
    )
    assert run(path, store=store)[1] == {"one": "missed"}
    result, states = run(path, store=store)
    assert states == {"one": "missed"}
    assert result.records["one"]["kept"] is True
    assert result.failed


def test_warnings_of_jobs_are_on_the_screen(night, store, session, chainrun):
    session.write('recipe = 1\nrate_hz = 48000\n[stems.a]\nfile = "other.wav"\n[[deliver]]\nfile = "mix.wav"\n', "one")
    ran = chainrun("batch", night('[[job]]\nrecipes = ["one.recipe.toml"]\n'))
    assert "note: one: a: converted from 44100 to 48000 Hz" in ran.err


def test_a_record_that_cannot_be_written_is_told_once_and_does_not_end_the_night(night, store, chainrun, monkeypatch):
    from chainrun.batch import record as module

    def full(path, text, what):
        raise ResourceError(Problem(f"{what} could not be written (No space left on device)", file=str(path)))

    monkeypatch.setattr(module, "write_whole", full)
    ran = chainrun("batch", night('[[job]]\nrecipes = ["*.recipe.toml"]\n'), "--workers", 1)
    assert ran.code == 5
    assert ran.err.count("batch.json cannot be written") == 1
    assert len(list(Path("night").rglob("*.wav"))) == 3


def test_a_log_on_a_full_disk_is_told_once_and_does_not_end_the_night(night, store, chainrun):
    if not Path("/dev/full").exists():
        pytest.skip("this system has no /dev/full")
    from chainrun.engine.log import EventLog

    heard = []
    log = EventLog(None, say=heard.append)
    log._file, log.path = open("/dev/full", "w"), Path("/dev/full")  # noqa: SIM115
    log.tell("start")
    log.tell("end")
    log.close()
    assert log.lost
    assert len(heard) == 1
    assert "/dev/full" in heard[0]


def test_many_kept_jobs_cost_little_record(night, store, session, monkeypatch):
    """Each job is one appended line; the whole file is written a few times, not once a job."""
    from chainrun.batch import record as module

    jobs = "".join(f'[[job]]\nrecipes = ["one.recipe.toml"]\nname = "j{i}"\n' for i in range(40))
    run(night(jobs), store=store, workers=1)
    written = []
    real = module.write_whole
    monkeypatch.setattr(module, "write_whole", lambda *a: (written.append(1), real(*a)))
    monkeypatch.setattr(module, "SHARE_OF_TIME", 0.0)
    _result, states = run(night(jobs), store=store, workers=1)
    assert set(states.values()) == {"kept"}
    assert len(written) == 1
    assert len(json.loads(Path("night/batch.json").read_text())["jobs"]) == 40
    assert not list(Path("night").glob(".*.journal"))


def test_two_batches_over_one_file_keep_each_others_records(night, store):
    path = night('[[job]]\nrecipes = ["*.recipe.toml"]\n')
    from chainrun.batch.record import BatchRecord

    Path("night").mkdir()
    first = BatchRecord(Path("night/batch.json"), ["one", "three", "two"], lambda text: None)
    run(path, store=store, only="two")  # begins later, ends earlier
    first.add({"job": "one", "state": "done", "seconds": 1.0, "files": []})
    first.close(1.0)
    known = {one["job"]: one["state"] for one in json.loads(Path("night/batch.json").read_text())["jobs"]}
    assert known == {"one": "done", "two": "done"}


def test_the_journal_of_a_killed_batch_is_read(night, store):
    path = night('[[job]]\nrecipes = ["*.recipe.toml"]\n')
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
def test_a_damaged_record_is_told_and_its_jobs_run_anew(night, store, chainrun, text):
    Path("night").mkdir()
    Path("night/batch.json").write_bytes(text.encode("utf-8", "surrogateescape"))
    ran = chainrun("batch", night('[[job]]\nrecipes = ["one.recipe.toml"]\n'))
    assert ran.code == 0, ran.err
    assert "done    one" in ran.err
    if "fingerprint" not in text:
        assert "is damaged" in ran.err


def test_a_stop_with_workers_leaves_no_parts(night, session, store):
    heavy(session)
    process = program("batch", night('[[job]]\nrecipes = ["*.recipe.toml"]\n'), "--workers", 2, "--store", store)
    deadline = time.monotonic() + 30
    while not list(store.glob("parts/*")) and time.monotonic() < deadline:
        time.sleep(0.02)
    process.send_signal(signal.SIGTERM)
    process.communicate(timeout=20)
    assert list(store.glob("parts/*")) == []


def test_what_a_kill_leaves_is_counted_and_goes(night, session, store, chainrun, monkeypatch, tmp_path_factory):
    heavy(session)
    place = tmp_path_factory.mktemp("t")
    monkeypatch.setenv("TMPDIR", str(place))
    path = night('[[job]]\nrecipes = ["*.recipe.toml"]\n')
    process = program("batch", path, "--workers", 2, "--store", store)
    deadline = time.monotonic() + 30
    while not list(store.glob("parts/*")) and time.monotonic() < deadline:
        time.sleep(0.02)
    process.kill()
    process.communicate()
    deadline = time.monotonic() + 10  # workers end with their parent
    while time.monotonic() < deadline and chainrun("store", "info", "--store", store, "--json").json["parts"] == 0:
        time.sleep(0.05)
    time.sleep(0.5)
    assert "half-written" in chainrun("store", "info", "--store", store).out
    assert chainrun("store", "prune", "--store", store).code == 0
    assert chainrun("store", "info", "--store", store, "--json").json["parts"] == 0
    left = {path.name for path in place.iterdir() if path.name.startswith(("pymp-", "chainrun-w"))}
    assert left
    second = program("batch", path, "--workers", 2, "--store", store)
    second.communicate(timeout=120)
    assert [path.name for path in place.iterdir()] == []


def test_a_store_that_all_but_fits_renders_little_again(night, store, session, monkeypatch, chainrun):
    """The usual order of dropping would drop just what is needed next: all would be rendered every night."""
    names = [f"s{i:02d}" for i in range(10)]
    for i, name in enumerate(names):
        session.write(RECIPE.replace("-20", f"-{20 + i}"), name)
    path = night('[[job]]\nrecipes = ["s*.recipe.toml"]\n')
    result, _ = run(path, store=store, workers=1)
    from chainrun.engine.store import GB, Store

    total = sum(one.n_bytes for one in Store(store).kept())
    monkeypatch.setenv("CHAINRUN_STORE_GB", str(0.85 * total / GB))
    for _ in range(3):
        shutil.rmtree("night")
        result, _ = run(path, store=store, workers=1)
    again = [
        name
        for name, record in result.records.items()
        for node in record["result"]["nodes"].values()
        if not node["from_store"]
    ]
    assert len(again) <= 5, again  # of 20 nodes
    assert set(again) <= set(names[-3:])
    ran = chainrun("batch", path, "--store", store)
    assert "prints take up to" in ran.err
    assert "rendered again every time" in ran.err


@pytestmark_cluster
def test_a_wrong_worker_that_joins_later_gets_no_job(night, session, store, cluster, chainrun, tmp_path):
    """Another version joins while the batch runs: its job goes elsewhere, and it is named."""
    address, _ = cluster
    for name in ("one", "two", "three"):
        session.write(RECIPE.replace("-20", str(-18 - len(name))), name)
    night('[[job]]\nrecipes = ["*.recipe.toml"]\n')
    heard = []
    from concurrent.futures import wait

    import distributed

    from chainrun.batch import cluster as module

    with distributed.Client(address) as client:
        client.wait_for_workers(2, timeout=30)
        wrong, _right = sorted(client.scheduler_info(n_workers=-1)["workers"])
        client.run(_pretend, workers=[wrong])
        executor = module._Executor(client, heard.append)
        futures = [executor.submit(str, i) for i in range(12)]
        wait(futures)
        assert sorted(int(one.result()) for one in futures) == list(range(12))
    assert len(heard) == 1
    assert wrong in heard[0]
    assert "another engine" in heard[0]


def _pretend():
    from chainrun.batch import cluster as module

    module._program = lambda: {"engine": "9.9"}


@pytestmark_cluster
def test_a_scheduler_that_dies_is_told_as_such(night, session, store, cluster, cluster_scheduler):
    heavy(session)
    address, _ = cluster
    path = night('[[job]]\nrecipes = ["*.recipe.toml"]\n')
    process = program("batch", path, "--cluster", address)
    deadline = time.monotonic() + 60
    while not list(store.glob("parts/*")) and time.monotonic() < deadline:
        time.sleep(0.02)
    cluster_scheduler().kill()
    _, err = process.communicate(timeout=120)
    assert process.returncode == 5, err
    assert "the scheduler died while the batch ran" in err
