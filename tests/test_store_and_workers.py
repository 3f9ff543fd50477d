"""The store keeps prints, workers make them, and nothing is ever lost, mixed up or half-written."""

from __future__ import annotations

import json
import os
import random
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from chainrun.engine import RenderOptions, render
from chainrun.engine.crew import Crew, WorkerDiedError
from chainrun.engine.prints import read_footer
from chainrun.engine.store import Store, limit_gb
from chainrun.errors import AudioError, Problem, ResourceError, UsageError
from chainrun.recipe import open_recipe
from tests.signals import drums, noise
from tests.test_commands import children_of

RECIPE = """recipe = 1
[stems.kick]
file = "kick.wav"
to = "kit"
chain = [ { do = "compressor", threshold_db = -20, name = "squash" } ]
[stems.snare]
file = "snare.wav"
to = "kit"
level_db = -2
sends = { hall = -12 }
chain = [ { do = "gate", threshold_db = -30, key = { from = ["kick"], tap = "raw" } } ]
[stems.pair]
file = "pair.wav"
[buses.kit]
chain = [ { do = "compressor", threshold_db = -18 } ]
[buses.hall]
chain = [ { do = "room", decay_s = 0.3 } ]
[[deliver]]
file = "mix.wav"
target_lufs = -20
[[deliver]]
file = "stems/{name}.wav"
what = "stems.*"
"""


def made(path, store, out="out", **options):
    """Render; returns the result, and which nodes were not in the store."""
    result = render(open_recipe(Path(path)), Path(out), RenderOptions(store=store, **options))
    return result, {node.name for node in result.nodes if not node.from_store}


def hashes(result):
    return [one.pcm_sha256 for one in result.deliveries]


ALL = {"kick", "snare", "pair", "kit", "hall", "main"}


def test_nothing_is_rendered_twice(session, store):
    path = session.write(RECIPE)
    first, fresh = made(path, store)
    assert fresh == ALL
    again, fresh = made(path, store, "other")
    assert fresh == set()
    assert hashes(again) == hashes(first)
    first_record, record = first.record(), again.record()
    for name, node in record["nodes"].items():
        for key in ("measured", "readings", "latency_frames", "identity"):
            assert node[key] == first_record["nodes"][name][key], (name, key)
    assert record["warnings"] == first_record["warnings"]
    assert hashes(made(path, None, "third")[0]) == hashes(first), "kept or not: the same bits"


@pytest.mark.parametrize(
    ("change", "rendered"),
    [
        ("stems.kick.chain.squash.ratio=3", {"kick", "kit", "main"}),
        ("stems.snare.level_db=-4", {"kit", "hall", "main"}),
        ("stems.pair.level_db=-4", {"main"}),
        ("stems.pair.pan_pct=30", {"main"}),
        ("stems.pair.level_points_db=[[0.0,0.0],[0.2,-6.0]]", {"main"}),
        ("stems.snare.sends.hall=-6", {"hall", "main"}),
        ("stems.kick.trim_db=-1", {"kick", "snare", "kit", "hall", "main"}),
        ("buses.kit.chain.0.threshold_db=-16", {"kit", "main"}),
        ("stems.kick.note=louder", set()),
        ("deliver.0.target_lufs=-22", set()),
    ],
)
def test_a_change_renders_what_is_downstream_of_it(session, store, change, rendered):
    path = session.write(RECIPE)
    made(path, store)
    from chainrun.recipe import Overrides

    result = render(open_recipe(path, Overrides(sets=(change,))), Path("out"), RenderOptions(store=store))
    assert {node.name for node in result.nodes if not node.from_store} == rendered
    alone = render(open_recipe(path, Overrides(sets=(change,))), Path("alone"))
    assert hashes(result) == hashes(alone)


def test_names_in_readings_are_the_recipes_own(session, store):
    made(session.write(RECIPE), store)
    result, _ = made(session.write(RECIPE.replace('"squash"', '"grip"')), store)
    assert [one.named for node in result.nodes for one in node.readings if node.name == "kick"] == ["chain.grip"]


def test_other_content_under_the_same_size_and_time_is_seen(session, store):
    path = session.write(RECIPE)
    old = time.time() - 1000
    os.utime("kick.wav", (old, old))
    first, _ = made(path, store)
    time.sleep(0.02)
    data = bytearray(Path("kick.wav").read_bytes())
    data[20000:21000] = bytes(1000)
    Path("kick.wav").write_bytes(bytes(data))
    os.utime("kick.wav", (old, old))
    second, fresh = made(path, store)
    assert fresh == {"kick", "snare", "kit", "hall", "main"}
    assert hashes(second) != hashes(first)


def test_hashes_of_stems_are_kept_but_not_of_fresh_files(session, store, monkeypatch):
    kept = Store(store)
    first = kept.hash_file(Path("kick.wav"))
    assert list(store.glob("hashes/??/*")) == [], "it may change again within a tick of the clock"
    monkeypatch.setattr("chainrun.engine.store.FRESH_S", -1.0)
    assert kept.hash_file(Path("kick.wav")) == first
    monkeypatch.setattr("chainrun.engine.store.hash_content", lambda path: pytest.fail("read again"))
    assert kept.hash_file(Path("kick.wav")) == first


def test_a_file_that_changes_while_it_is_rendered_is_an_error(session, store, monkeypatch):
    from chainrun.engine import work

    real = work.render_node

    def slow(*arguments, **options):
        done = real(*arguments, **options)
        soundfile.write("kick.wav", noise(24000, seed=9), 48000, subtype="FLOAT")
        return done

    monkeypatch.setattr(work, "render_node", slow)
    with pytest.raises(AudioError, match="changed while it was rendered"):
        made(session.write(RECIPE), store)
    assert list(store.glob("parts/*")) == []
    assert not Path("out/mix.wav").exists()


@pytest.mark.parametrize("damage", ["flip", "cut", "empty", "document", "footer"])
@pytest.mark.parametrize("node", ["main", "kick"])
def test_damaged_prints_are_rendered_again(session, store, damage, node):
    path = session.write(RECIPE)
    first, _ = made(path, store)
    place = Store(store).path_of(next(one.identity for one in first.nodes if one.name == node))
    data = bytearray(place.read_bytes())
    audio = read_footer(place).audio_bytes
    if damage == "flip":
        data[audio // 2] ^= 1
    elif damage == "cut":
        del data[audio // 2 : audio // 2 + 4]
    elif damage == "empty":
        data.clear()
    elif damage == "document":
        data[audio + 20] ^= 1
    else:
        data[-1] ^= 1
    place.write_bytes(bytes(data))
    second, fresh = made(path, store)
    assert node in fresh
    assert hashes(second) == hashes(first)
    assert made(path, store)[1] == set()


@pytest.mark.parametrize("workers", [2, 3])
def test_any_number_of_workers_makes_the_same_bits(session, store, tmp_path_factory, workers):
    path = session.write(RECIPE)
    alone, _ = made(path, store)
    other, fresh = made(path, tmp_path_factory.mktemp("other"), "out2", workers=workers)
    assert fresh == ALL
    assert hashes(other) == hashes(alone)
    one, two = alone.record(), other.record()
    for name in ALL:
        assert one["nodes"][name]["readings"] == two["nodes"][name]["readings"]
        assert one["nodes"][name]["measured"] == two["nodes"][name]["measured"]


def test_an_error_in_a_worker_is_told_like_any_other(session, store):
    bad = np.full(24000, 0.1, dtype=np.float32)
    bad[100] = np.nan
    soundfile.write("kick.wav", bad, 48000, subtype="FLOAT")
    with pytest.raises(AudioError, match="frame 100"):
        made(session.write(RECIPE), store, workers=2)


# -- workers that die ----------------------------------------------------------------------------------------


def _work(task):
    """Dies as often as the file says."""
    name, place = task
    left = int(place.read_text())
    if left:
        place.write_text(str(left - 1))
        os.kill(os.getpid(), signal.SIGKILL)
    return name.upper()


@pytest.mark.parametrize("deaths", [1, 2])
def test_a_worker_that_dies_is_tried_once_more(tmp_path, deaths):
    for name in "abcd":
        (tmp_path / name).write_text(str(deaths if name == "b" else 0))
    done, failed, again = {}, {}, []
    crew = Crew(_work, lambda key: (key, tmp_path / key), done.__setitem__, failed.__setitem__, again=again.append)
    crew.run({"a": (), "b": (), "c": ("a",), "d": ("b",)}, 2)
    assert "b" in again
    if deaths == 1:
        assert (done, failed) == ({"a": "A", "b": "B", "c": "C", "d": "D"}, {})
    else:
        assert done == {"a": "A", "c": "C"}
        assert list(failed) == ["b"]
        assert isinstance(failed["b"], WorkerDiedError)
        assert failed["b"].problems[0].key == "b"


def long_session(session, seconds=60):
    soundfile.write("long.wav", noise(48000 * seconds, 0.02), 48000, subtype="PCM_16")
    stems = "".join(
        f'[stems.s{i}]\nfile = "long.wav"\ntrim_db = -{i}\nchain = [ {{ do = "eq", bands = [ {{ kind = "bell", freq_hz = {200 * (i + 1)}, gain_db = 3 }} ] }}, {{ do = "compressor", threshold_db = -24 }}, {{ do = "saturate" }} ]\n'
        for i in range(4)
    )
    return session.write(f'recipe = 1\n{stems}[[deliver]]\nfile = "mix.wav"\n')


def program(*arguments, **options):
    return subprocess.Popen(
        [sys.executable, "-m", "chainrun", *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        **options,
    )


def test_a_killed_worker_costs_a_second_try_alone(session, store):
    path = long_session(session, 30)
    expected, _ = made(path, None, "expected")
    process = program("render", path, "-o", "out", "--workers", 2, "--json", "--log", "log.jsonl")
    deadline = time.monotonic() + 30
    while len(list(store.glob("parts/*"))) < 2 and time.monotonic() < deadline:
        time.sleep(0.01)
    victim = next(worker for child in children_of(process.pid) for worker in children_of(child))
    os.kill(victim, signal.SIGKILL)
    out, err = process.communicate(timeout=120)
    assert process.returncode == 0, err
    result = json.loads(out)
    assert any("worker process died" in warning for warning in result["warnings"])
    assert result["deliveries"][0]["pcm_sha256"] == expected.deliveries[0].pcm_sha256
    events = [json.loads(line)["event"] for line in Path("log.jsonl").read_text().splitlines()]
    assert "node_again" in events
    assert list(store.glob("parts/*")) == []


def killed_at(session, store, moments, workers=1):
    """Kill a render at moments of its life, then let it finish: the same mix, and no half file on the way."""
    path = long_session(session, 8)
    expected, _ = made(path, None, "expected")
    began = time.monotonic()
    process = program("render", path, "-o", "timed", "--no-store", "--workers", workers)
    process.communicate()
    assert process.returncode == 0
    whole_s = time.monotonic() - began
    for moment in moments:
        process = program("render", path, "-o", "out", "--workers", workers, start_new_session=True)
        time.sleep(moment * whole_s)
        children = [child for one in children_of(process.pid) for child in (one, *children_of(one))]
        process.kill()
        process.communicate()
        deadline = time.monotonic() + 5
        while any(Path(f"/proc/{child}").exists() for child in children) and time.monotonic() < deadline:
            time.sleep(0.02)
        assert not [child for child in children if Path(f"/proc/{child}").exists()], "workers end with their parent"
        mix = Path("out/mix.wav")
        if mix.exists():  # it had finished
            x, _ = soundfile.read(mix)
            y, _ = soundfile.read("expected/mix.wav")
            assert np.array_equal(x, y)
            mix.unlink()
        for print_ in store.glob("prints/??/*"):
            assert read_footer(print_) is not None, "a print under its name is whole"
    result, _ = made(path, store)
    assert hashes(result) == hashes(expected)
    assert sorted(one.name for one in Path("out").iterdir()) == ["mix.wav"], "what the dead began is gone"
    Store(store).prune(keep_gb=20)
    assert list(store.glob("parts/*")) == list(store.glob("runs/*")) == []


@pytest.mark.parametrize("workers", [1, 2])
def test_killed_renders_leave_nothing_half_and_go_on(session, store, workers):
    rng = random.Random(workers)
    killed_at(session, store, [rng.random() for _ in range(3)], workers)


@pytest.mark.soak
def test_killed_at_twenty_moments(session, store):
    rng = random.Random(20)
    killed_at(session, store, [rng.random() for _ in range(20)])


def test_a_killed_render_goes_on_from_what_was_finished(session, store):
    path = long_session(session)
    process = program("render", path, "-o", "out", "--workers", 1)
    deadline = time.monotonic() + 60
    while not list(store.glob("prints/??/*")) and time.monotonic() < deadline:
        time.sleep(0.01)
    process.kill()
    process.communicate()
    _, fresh = made(path, store)
    assert 0 < len(fresh) < 5


# -- room, and none ------------------------------------------------------------------------------------------


def limited(size):
    def limit():
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))

    return limit


@pytest.mark.parametrize(("size", "workers"), [(200_000, 1), (200_000, 2), (6_000_000, 1)])
def test_a_full_disk_ends_with_5_and_nothing_half_written(session, store, size, workers):
    """A limit on file size stands in for a full disk: first for the prints, then for the delivery as it is written."""
    path = long_session(session, 25)
    if size > 5_000_000:
        made(path, store, "first")
    process = program("render", path, "-o", "out", "--workers", workers, preexec_fn=limited(size))
    _, err = process.communicate(timeout=60)
    assert process.returncode == 5, err
    assert "could not be written" in err
    assert "Traceback" not in err
    assert list(Path("out").iterdir()) == []
    assert list(store.glob("parts/*")) == []


def test_too_little_room_is_told_beforehand(session, store, monkeypatch):
    from chainrun.engine import room_on_disk

    monkeypatch.setattr(room_on_disk, "_free", lambda folder: 2_000_000)
    with pytest.raises(ResourceError) as found:
        made(session.write(RECIPE), store)
    text = found.value.problems[0].text()
    assert "MB to be written at most" in text
    assert "2 MB are free" in text
    assert list(store.glob("prints/*")) == []


def test_a_file_past_4_gib_becomes_rf64_beforehand(session, monkeypatch):
    """EBU Tech 3306: a RIFF file ends at 4 GiB. The container follows from the predicted size, not from what came."""
    from chainrun.audiofile import write

    hour = 3600 * 48000
    assert write.container_of(Path("a.wav"), 2, hour, 24) == "WAV"
    assert write.container_of(Path("a.wav"), 2, 4 * hour, 24) == "WAV"
    assert write.container_of(Path("a.wav"), 2, 5 * hour, 24) == "RF64"
    assert write.container_of(Path("a.wav"), 2, 3 * 2 * hour, 32) == "RF64"
    monkeypatch.setattr(write, "_LIMIT_OF_WAV", 100_000)
    made(session.write(RECIPE), None)
    assert soundfile.info("out/mix.wav").format == "RF64"
    x, _ = soundfile.read("out/mix.wav")
    assert len(x) >= 24000


def test_a_store_that_cannot_be_is_told(session, chainrun):
    Path("file").touch()
    ran = chainrun("render", session.write(RECIPE), "-o", "out", "--store", "file/store")
    assert (ran.code, "the store cannot be written to" in ran.err, "--no-store" in ran.err) == (5, True, True)
    ran = chainrun("render", session.write(RECIPE), "--store", "a", "--no-store")
    assert ran.code == 2


def test_without_a_home_prints_are_not_kept(session):
    environment = {"PATH": os.environ["PATH"], "HOME": "/nowhere/at/all"}
    process = program("render", session.write(RECIPE), "-o", "out", env=environment)
    _, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    assert Path("out/mix.wav").exists()


def test_stdout_that_is_closed(session):
    process = program("render", session.write(RECIPE), "-o", "out", preexec_fn=lambda: os.close(1))
    _, err = process.communicate(timeout=60)
    assert (process.returncode, "Traceback" in err) == (0, False)


def test_two_renders_at_once_share_a_store(session, store):
    path = long_session(session, 10)
    both = [program("render", path, "-o", f"out{i}", "--json") for i in range(2)]
    found = [json.loads(process.communicate(timeout=120)[0]) for process in both]
    assert found[0]["deliveries"][0]["pcm_sha256"] == found[1]["deliveries"][0]["pcm_sha256"]
    assert made(path, store)[1] == set()
    assert Store(store).check() == []


# -- housekeeping --------------------------------------------------------------------------------------------


def test_pruning_takes_the_least_recently_used(session, store, chainrun):
    path = session.write(RECIPE)
    first, _ = made(path, store)
    kept = Store(store)
    for i, node in enumerate(["snare", "pair", "kick", "kit", "hall", "main"]):
        at = time.time() - 86400 * (10 - i)
        os.utime(kept.path_of(next(one.identity for one in first.nodes if one.name == node)), (at, at))
    total = sum(one.n_bytes for one in kept.kept())
    dropped = kept.prune(keep_gb=(total - 1) / 1e9)
    assert [one.identity for one in dropped] == [next(one.identity for one in first.nodes if one.name == "snare")]
    assert len(kept.prune(older_than_days=7.5)) == 2
    assert chainrun("store", "info", "--json").json["prints"] == 3
    ran = chainrun("store", "prune", "--keep-gb", 0)
    assert (ran.code, "3 prints dropped" in ran.out) == (0, True)
    assert chainrun("store", "prune").code == 2
    assert hashes(made(path, store)[0]) == hashes(first)


def test_what_a_running_render_uses_stays(session, store):
    first, _ = made(session.write(RECIPE), store)
    kept = Store(store)
    held = next(one.identity for one in first.nodes if one.name == "kit")
    with kept.run([held]) as run:
        part = kept.part_of(run, held)
        part.touch()
        assert len(Store(store).prune(keep_gb=0)) == 5
        assert [one.identity for one in kept.kept()] == [held]
        assert part.exists()
    assert not part.exists()
    assert len(kept.prune(keep_gb=0)) == 1


def test_the_limit_holds_after_a_render(session, store, monkeypatch):
    monkeypatch.setenv("CHAINRUN_STORE_GB", "0.0004")
    result, _ = made(session.write(RECIPE), store)
    assert result.deliveries
    assert sum(one.n_bytes for one in Store(store).kept()) <= 400_000
    monkeypatch.setenv("CHAINRUN_STORE_GB", "much")
    with pytest.raises(ResourceError, match="no number"):
        limit_gb()


def test_store_check_finds_bit_flips(session, store, chainrun):
    made(session.write(RECIPE), store)
    assert chainrun("store", "check").code == 0
    victim = Store(store).kept()[0].path
    data = bytearray(victim.read_bytes())
    data[100] ^= 4
    victim.write_bytes(bytes(data))
    ran = chainrun("store", "check")
    assert (ran.code, "1 prints damaged" in ran.out) == (1, True)
    assert chainrun("store", "check").code == 0


# -- stretches and the log -----------------------------------------------------------------------------------


def test_a_stretch_of_kept_prints_is_exact(session, store):
    soundfile.write("kick.wav", drums(48000 * 8) * 0.5, 48000, subtype="FLOAT")
    text = RECIPE.replace('file = "mix.wav"', 'file = "mix.wav"\nbits = 32')
    path = session.write(text)
    made(path, store)
    result, fresh = made(path, store, from_s=2.5, to_s=4.0)
    assert fresh == set()
    assert Path(result.deliveries[0].file).name == "mix.2.5-4s.wav"
    whole, _ = soundfile.read("out/mix.wav")
    part, _ = soundfile.read("out/mix.2.5-4s.wav")
    assert np.array_equal(part, whole[120000:192000])
    assert not result.failures


def test_a_stretch_without_prints_is_rendered_from_before_it(session, store):
    soundfile.write("kick.wav", drums(48000 * 12) * 0.5, 48000, subtype="FLOAT")
    text = RECIPE.replace('file = "mix.wav"\ntarget_lufs = -20', 'file = "mix.wav"\nbits = 32')
    path = session.write(text)
    result, _ = made(path, store, "part", from_s=8.0, to_s=9.5)
    assert any("rendered from 5 s before it" in warning for warning in result.warnings)
    _, fresh = made(path, store, "part", from_s=8.0, to_s=9.5)
    assert fresh == set(), "stretches are kept, too"
    made(path, None, "whole")
    whole, _ = soundfile.read("whole/mix.wav")
    part, _ = soundfile.read("part/mix.8-9.5s.wav")
    assert part.shape == (72000, 2)
    assert np.abs(part - whole[384000:456000]).max() < 1e-4 * np.abs(whole).max()


def test_fades_keep_the_sessions_time_in_a_stretch(session, store):
    soundfile.write("ones.wav", np.full(48000 * 12, 0.5), 48000, subtype="FLOAT")
    path = session.write(
        'recipe = 1\n[stems.a]\nfile = "ones.wav"\nchain = [ { do = "fade", out_from_s = 8.0, out_to_s = 8.0 } ]\n[[deliver]]\nfile = "mix.wav"\nbits = 32\n'
    )
    made(path, store, from_s=7.5, to_s=8.5)
    part, _ = soundfile.read("out/mix.7.5-8.5s.wav")
    assert int(np.flatnonzero(part[:, 0])[-1]) == 23999


@pytest.mark.parametrize(("from_s", "to_s"), [(5.0, 3.0), (100.0, 101.0), (-1.0, 1.0)])
def test_a_stretch_that_is_none(session, store, from_s, to_s):
    with pytest.raises(UsageError, match="no stretch"):
        made(session.write(RECIPE), store, from_s=from_s, to_s=to_s)


def test_the_log_tells_every_event(session, chainrun):
    path = session.write(RECIPE)
    for _ in range(2):
        assert chainrun("render", path, "-o", "out", "--log", "log/render.jsonl").code == 0
    records = [json.loads(line) for line in Path("log/render.jsonl").read_text().splitlines()]
    runs = list(dict.fromkeys(record["run"] for record in records))
    assert len(runs) == 2
    for run, hit in zip(runs, (False, True), strict=True):
        events = [record for record in records if record["run"] == run]
        assert (events[0]["event"], events[-1]["event"]) == ("start", "end")
        ends = [record for record in events if record["event"] == "node_end"]
        assert {record["node"] for record in ends} == ALL
        assert all(record["from_store"] is hit for record in ends)
        assert all(record["frames"] >= 24000 for record in ends)
        begins = [record["node"] for record in events if record["event"] == "node_begin"]
        assert set(begins) == (set() if hit else ALL)
        if not hit:
            assert all(record["peak_memory_mb"] > 10 and record["seconds"] > 0 for record in ends)
    Path("kick.wav").write_bytes(b"nonsense")
    assert chainrun("render", path, "-o", "out", "--log", "log/render.jsonl").code == 4
    last = json.loads(Path("log/render.jsonl").read_text().splitlines()[-1])
    assert (last["event"], last["exit_code"]) == ("error", 4)


def test_errors_travel_between_processes():
    import pickle

    error = pickle.loads(pickle.dumps(ResourceError([Problem("a", key="b"), Problem("c")])))
    assert [problem.text() for problem in error.problems] == ["b  a", "c"]
    assert error.exit_code == 5
