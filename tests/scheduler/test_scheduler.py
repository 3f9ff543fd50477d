"""The task of a worker that dies is tried once more, and reported after that."""

from __future__ import annotations

import json
import os
import signal
from pathlib import Path

import pytest

from chainrun.scheduler.scheduler import Scheduler, WorkerDiedError
from tests import program
from tests.songs import long_session, made


def _dies(task):
    os.kill(os.getpid(), signal.SIGKILL)


def test_several_killed_workers_in_a_row_are_reported(tmp_path):
    failed = {}
    scheduler = Scheduler(_dies, lambda key: key, lambda key, result: None, failed.__setitem__)
    scheduler.run(dict.fromkeys("abcd", ()), 2)
    assert sorted(failed) == list("abcd")
    assert all(error.exit_code == 5 for error in failed.values())


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
    scheduler = Scheduler(
        _work, lambda key: (key, tmp_path / key), done.__setitem__, failed.__setitem__, again=again.append
    )
    scheduler.run({"a": (), "b": (), "c": ("a",), "d": ("b",)}, 2)
    assert "b" in again
    if deaths == 1:
        assert (done, failed) == ({"a": "A", "b": "B", "c": "C", "d": "D"}, {})
    else:
        assert done == {"a": "A", "c": "C"}
        assert list(failed) == ["b"]
        assert isinstance(failed["b"], WorkerDiedError)
        assert failed["b"].problems[0].key == "b"


def test_a_killed_worker_costs_a_second_try_alone(session, store):
    path = long_session(session, 30)
    expected, _ = made(path, None, "expected")
    process = program.start("render", path, "-o", "out", "--workers", 2, "--json", "--log", "log.jsonl")
    program.wait_until(lambda: len(list(store.glob("parts/*"))) == 2, "a print of each worker")
    victim = next(worker for child in program.children_of(process.pid) for worker in program.children_of(child))
    os.kill(victim, signal.SIGKILL)
    ran = program.ended(process)
    assert ran.code == 0, ran.err
    result = ran.json
    assert any("worker process died" in warning for warning in result["warnings"])
    assert result["deliveries"][0]["pcm_sha256"] == expected.deliveries[0].pcm_sha256
    events = [json.loads(line)["event"] for line in Path("log.jsonl").read_text().splitlines()]
    assert "node_again" in events
    assert list(store.glob("parts/*")) == []
