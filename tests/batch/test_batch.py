"""Batches: many renders that can be killed, continued, split, and sent to a cluster."""

from __future__ import annotations

import json
import shutil
import signal
from dataclasses import replace
from pathlib import Path

import pytest
import soundfile

from chainrun.errors import RecipeError, ResourceError
from tests import program
from tests.batch.job_files import RECIPE, heavy, pytestmark_cluster, run
from tests.signals import noise


def test_globs_overrides_and_folders_of_their_own(jobs_file, store, session):
    (session.folder / "take2").mkdir()
    soundfile.write("take2/kick.wav", noise(24000, 0.1, seed=7), 48000)
    Path("2026.overlay.toml").write_text('"stems.kick.level_db" = -6.0\n')
    path = jobs_file(
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
set = { "stems.kick.chain.0.threshold_dbfs" = -30, "stems.kick.note" = "a \\"note\\"" }
out = "elsewhere"
"""
    )
    result, states = run(path, store=store)
    assert list(states) == ["one", "three", "two", "one.loud", "take-2"]
    assert set(states.values()) == {"done"}
    for place in ("night/one/one.wav", "night/one.loud/one.wav", "night/two/two.wav", "elsewhere/one.wav"):
        assert Path(place).exists(), place
    document = json.loads(Path("night/batch.json").read_text())
    assert document["schema_version"] == 2
    assert [record["job"] for record in document["jobs"]] == list(states)
    assert result.records["take-2"].result.deliveries[0].measured.n_channels == 2


def test_a_second_run_does_what_is_not_done_or_changed(jobs_file, store, session):
    path = jobs_file('[[job]]\nrecipes = ["*.recipe.toml"]\n')
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


def test_one_bad_job_does_not_end_the_batch(jobs_file, store, chainrun):
    path = jobs_file(
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
    stopping = jobs_file(
        'on_error = "stop"\n[[job]]\nrecipes = ["two.recipe.toml"]\nset = { "stems.kick.level_db" = "loud" }\n[[job]]\nrecipes = ["three.recipe.toml"]\n'
    )
    assert [record["state"] for record in chainrun("batch", stopping, "--json").json["jobs"]] == ["failed", "not run"]


def test_two_jobs_that_would_write_one_file_are_refused_beforehand(jobs_file, store):
    path = jobs_file(
        '[[job]]\nrecipes = ["one.recipe.toml"]\nout = "same"\n'
        '[[job]]\nrecipes = ["one.recipe.toml"]\nname = "other"\nset = { "stems.kick.level_db" = -3 }\nout = "./same"\n'
    )
    with pytest.raises(RecipeError, match="two jobs would write the same file"):
        run(path, store=store)
    assert not Path("same").exists()


def test_no_job_overwrites_an_input_of_another_one(jobs_file, store, session):
    """One job's delivery has the name and place of another job's stem: it would overwrite the recording."""
    session.write('grammar = 1\n[stems.a]\nfile = "pair.wav"\n[[deliver]]\nfile = "kick.wav"\n', "maker")
    before = Path("kick.wav").read_bytes()
    text = '[[job]]\nrecipes = ["maker.recipe.toml"]\nout = "."\n[[job]]\nrecipes = ["one.recipe.toml"]\n'
    for jobs in ((), ("maker",)):
        with pytest.raises(RecipeError, match=r"over an input.*written by maker, read by one"):
            run(jobs_file(text), store=store, jobs=jobs)
    session.write(
        'grammar = 1\n[stems.a]\nfile = "pair.wav"\n[[deliver]]\nfile = "batch.wav"\nsidecar = true\n', "maker"
    )
    with pytest.raises(RecipeError, match="the batch's own record"):
        run(jobs_file('[[job]]\nrecipes = ["maker.recipe.toml"]\nout = "night"\n'), store=store)
    assert Path("kick.wav").read_bytes() == before


def test_a_lost_sidecar_is_made_again_and_what_was_not_begun_stays_done(jobs_file, store, session):
    session.write('grammar = 1\n[stems.a]\nfile = "pair.wav"\n[[deliver]]\nfile = "mix.wav"\nsidecar = true\n', "one")
    text = '[[job]]\nrecipes = ["one.recipe.toml"]\n[[job]]\nrecipes = ["two.recipe.toml"]\n'
    assert set(run(jobs_file(text), store=store)[1].values()) == {"done"}
    Path("night/one/mix.json").unlink()
    assert run(jobs_file(text), store=store)[1] == {"one": "done", "two": "kept"}
    session.write("grammar = 1\n", "one")
    assert run(jobs_file('on_error = "stop"\n' + text), store=store)[1] == {"one": "failed", "two": "not run"}
    known = {one["job"]: one["state"] for one in json.loads(Path("night/batch.json").read_text())["jobs"]}
    assert known["two"] in ("done", "kept")
    assert run(jobs_file(text), store=store)[1]["two"] == "kept"


def test_one_gain_is_one_whatever_part_is_rendered(jobs_file, store):
    text = 'one_gain = { target_lufs = -20 }\n[[job]]\nrecipes = ["*.recipe.toml"]\n'

    def gains(**options):
        records = run(jobs_file(text), store=store, **options)[0].records
        return {name: one.result.deliveries[0].gain_db for name, one in records.items()}

    whole = gains()
    assert len(set(whole.values())) == 1
    shutil.rmtree("night")
    parts = gains(shard="1/2") | gains(shard="2/2")
    assert parts == whole
    shutil.rmtree("night")
    assert gains(jobs=("three",)) == {"three": whole["three"]}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[[job]]\nrecipes = ["no*.recipe.toml"]\n', "no recipe found"),
        (
            '[[job]]\nrecipes = ["one.recipe.toml"]\n[[job]]\nrecipes = ["one.recipe.toml"]\n',
            "two jobs have the same name",
        ),
        ('[[job]]\nrecipes = ["*.recipe.toml"]\nname = "x"\n', "name requires a single recipe"),
        ('[[job]]\nrecipe = ["one.recipe.toml"]\n', "did you mean 'recipes'?"),
        ('on_error = "shrug"\n[[job]]\nrecipes = ["one.recipe.toml"]\n', '"stop", "continue"'),
    ],
)
def test_mistakes_in_a_file_of_jobs(jobs_file, chainrun, text, said):
    ran = chainrun("batch", jobs_file(text))
    assert (ran.code, said in ran.err) == (3, True), ran.err
    assert "night.jobs.toml:" in ran.err


def test_shards_and_names(jobs_file, store, chainrun):
    path = jobs_file('[[job]]\nrecipes = ["*.recipe.toml"]\n')
    parts = [set(run(path, store=store, shard=f"{k}/2")[1]) for k in (1, 2)]
    assert parts == [{"one", "two"}, {"three"}]
    assert Path("night/batch.2-of-2.json").exists()
    assert list(run(path, store=store, jobs=("three", "one"))[1]) == ["one", "three"]
    assert chainrun("batch", path, "--jobs", "tree").code == 2
    assert chainrun("batch", path, "--shard", "3/2").code == 2


def test_jobs_side_by_side_make_the_same_files(jobs_file, store, tmp_path_factory):
    path = jobs_file('[[job]]\nrecipes = ["*.recipe.toml"]\n')
    alone, _ = run(path, store=store, workers=1)
    both, _ = run(path, store=tmp_path_factory.mktemp("other"), workers=3, log=Path("night.jsonl"))
    Path("night/batch.json").unlink()
    for name, record in alone.records.items():
        assert both.records[name].files[0].sha256 == record.files[0].sha256
    events = [json.loads(line) for line in Path("night.jsonl").read_text().splitlines()]
    assert {e["job"] for e in events if e["event"] == "job_end"} == {"one", "two", "three"}


POINTS = [
    *(("import", number) for number in (1, 100, 150, 200, 250)),
    *(("write", number) for number in range(1, 7)),
    *(("make", number) for number in (1, 3, 5)),
    *(("worker", number) for number in (1, 2)),
    *(("rename", 1) for _ in range(2)),
    *(("remove", number) for number in (1, 2)),
]
"""Twenty points of a batch of three jobs in two workers; the later ones only while there is work left."""


def killed(jobs_file, session, store, points):
    heavy(session)
    path = jobs_file('[[job]]\nrecipes = ["*.recipe.toml"]\n')
    expected, _ = run(path)
    expected = {name: record.files[0].sha256 for name, record in expected.records.items()}
    for place in Path("night").rglob("*.wav"):
        place.unlink()
    Path("night/batch.json").unlink()
    for point in points:
        process = program.start_hit_at(*point, signal.SIGKILL, "batch", path, "--store", store, "--workers", 2)
        code = program.ended(process).code
        finished = code == 0 and all(Path(f"night/{name}/{name}.wav").exists() for name in expected)
        assert finished or code == -signal.SIGKILL, point
        program.wait_until(lambda pid=process.pid: not program.session_of(pid), "the workers' end with their parent")
        for name in expected:
            place = Path(f"night/{name}/{name}.wav")
            if place.exists():
                from chainrun.audiofile.read import hash_content

                assert hash_content(place) == expected[name], "no half file under a final name"
    result, states = run(path, store=store)
    assert {name: record.files[0].sha256 for name, record in result.records.items()} == expected
    assert set(states.values()) <= {"done", "kept"}
    assert not list(Path("night").rglob(".*.part"))


def test_a_killed_batch_continues(jobs_file, session, store):
    killed(jobs_file, session, store, [("worker", 2), ("write", 3), ("rename", 1)])


@pytest.mark.soak
def test_a_batch_killed_at_twenty_moments(jobs_file, session, store):
    killed(jobs_file, session, store, POINTS)


def test_an_interrupted_batch_leaves_no_child(jobs_file, session, store):
    heavy(session)
    process = program.start("batch", jobs_file('[[job]]\nrecipes = ["*.recipe.toml"]\n'), "--workers", 2)
    program.wait_until(lambda: list(store.glob("parts/*")), "the first print")
    children = program.family_of(process.pid)
    process.send_signal(signal.SIGTERM)
    ran = program.ended(process)
    assert ran.code == 143, ran.err
    program.wait_for_the_end_of(children)


# -- a cluster -------------------------------------------------------------------------------------------------


@pytestmark_cluster
def test_a_cluster_makes_the_same_files(jobs_file, session, store, cluster, chainrun):
    address, _ = cluster
    path = jobs_file('[[job]]\nrecipes = ["*.recipe.toml"]\n')
    alone, _ = run(path)
    Path("night/batch.json").unlink()
    ran = chainrun("batch", path, "--cluster", address, "--json")
    assert ran.code == 0, ran.err
    for record in ran.json["jobs"]:
        assert record["files"][0]["sha256"] == alone.records[record["job"]].files[0].sha256


@pytestmark_cluster
def test_a_killed_cluster_worker_costs_its_own_job_alone(jobs_file, session, store, cluster):
    address, workers = cluster
    heavy(session)
    path = jobs_file('[[job]]\nrecipes = ["*.recipe.toml"]\n')
    process = program.start("batch", path, "--cluster", address, "--json", "--log", "night.jsonl")
    program.wait_until(lambda: list(store.glob("parts/*")), "the first print")
    workers[0].kill()
    ran = program.ended(process)
    assert ran.code == 0, ran.err
    assert [record["state"] for record in ran.json["jobs"]] == ["done"] * 3
    assert len(list(Path("night").rglob("*.wav"))) == 3


@pytestmark_cluster
def test_workers_that_do_not_match_are_reported(jobs_file, store, cluster, monkeypatch):
    from chainrun.batch import cluster as module

    address, _ = cluster
    path = jobs_file('[[job]]\nrecipes = ["one.recipe.toml"]\n')
    real = module.surroundings
    monkeypatch.setattr(module, "surroundings", lambda block: replace(real(block), engine="9.9"))
    with pytest.raises(ResourceError, match="runs another engine"):
        run(path, store=store, cluster=address)


def test_no_cluster_there(jobs_file, chainrun, monkeypatch):
    pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    from chainrun.batch import cluster as module

    monkeypatch.setattr(module, "PATIENCE_S", 0.5)
    path = jobs_file('[[job]]\nrecipes = ["one.recipe.toml"]\n')
    ran = chainrun("batch", path, "--cluster", "somewhere")
    assert (ran.code, "local:N, or tcp://HOST:PORT" in ran.err) == (2, True)
    ran = chainrun("batch", path, "--cluster", "local:many")
    assert ran.code == 2
