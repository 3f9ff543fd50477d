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

from chainrun.errors import ResourceError
from chainrun.scheduler.scheduler import Scheduler, WorkerDiedError
from chainrun.store.prints import read_footer
from chainrun.store.store import Store
from tests.signals import noise
from tests.store.parts import RECIPE, hashes, made
from tests.test_commands import children_of

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
    crew = Scheduler(_work, lambda key: (key, tmp_path / key), done.__setitem__, failed.__setitem__, again=again.append)
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
    from chainrun.delivery import disk_space as room_on_disk

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
