"""Renders killed at named points leave no half file, and the next one continues from finished prints."""

from __future__ import annotations

import signal
from pathlib import Path

import numpy as np
import pytest
import soundfile

from chainrun.store.prints import read_footer
from chainrun.store.store import Store
from tests import program
from tests.songs import hashes, long_session, made

POINTS = [
    *(("write", number) for number in range(1, 9)),
    *(("rename", number) for number in (1, 2)),
    *(("make", number) for number in (2, 5, 8)),
    *(("remove", number) for number in (1, 2, 3)),
    *(("sound", number) for number in (1, 2, 3, 4)),
]
"""Twenty points that a render reaches whatever is cached."""


def killed_at(session, store, points, workers=1):
    """Kills a render at points of its life, then lets it finish: the same mix, and no half file on the way."""
    path = long_session(session, 8)
    expected, _ = made(path, None, "expected")
    for point in points:
        process = program.start_hit_at(*point, signal.SIGKILL, "render", path, "-o", "out", "--workers", workers)
        program.ended(process)
        assert process.returncode == -signal.SIGKILL, point
        program.wait_until(lambda pid=process.pid: not program.session_of(pid), "the workers' end with their parent")
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
def test_killed_renders_leave_nothing_half_and_continue(session, store, workers):
    killed_at(session, store, [("write", 2), ("rename", 1), ("sound", 2)], workers)


@pytest.mark.soak
def test_killed_at_twenty_moments(session, store):
    assert len(POINTS) == 20
    killed_at(session, store, POINTS)


def test_a_killed_render_continues_from_finished_prints(session, store):
    path = long_session(session)
    process = program.start_hit_at("rename", 3, signal.SIGKILL, "render", path, "-o", "out", "--workers", 1)
    assert program.ended(process).code == -signal.SIGKILL
    kept = len(list(store.glob("prints/??/*")))
    _, fresh = made(path, store)
    assert 0 < kept == 5 - len(fresh) < 5
