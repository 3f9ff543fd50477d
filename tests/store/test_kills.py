"""Renders killed at named points leave nothing half, and go on from what was finished."""

from __future__ import annotations

import random
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from chainrun.engine.prints import read_footer
from chainrun.engine.store import Store
from tests import program
from tests.songs import hashes, long_session, made


def killed_at(session, store, moments, workers=1):
    """Kill a render at moments of its life, then let it finish: the same mix, and no half file on the way."""
    path = long_session(session, 8)
    expected, _ = made(path, None, "expected")
    began = time.monotonic()
    process = program.start("render", path, "-o", "timed", "--no-store", "--workers", workers)
    process.communicate()
    assert process.returncode == 0
    whole_s = time.monotonic() - began
    for moment in moments:
        process = program.start("render", path, "-o", "out", "--workers", workers, start_new_session=True)
        time.sleep(moment * whole_s)
        children = [child for one in program.children_of(process.pid) for child in (one, *program.children_of(one))]
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
    process = program.start("render", path, "-o", "out", "--workers", 1)
    deadline = time.monotonic() + 60
    while not list(store.glob("prints/??/*")) and time.monotonic() < deadline:
        time.sleep(0.01)
    process.kill()
    process.communicate()
    _, fresh = made(path, store)
    assert 0 < len(fresh) < 5
