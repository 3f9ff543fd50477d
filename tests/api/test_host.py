"""The library leaves the process that uses it as it was: children, threads, settings, files, memory."""

import sys

import pytest

from tests import program
from tests.signals import ROOT
from tests.songs import WHOLE

HOST = (sys.executable, "-m", "tests.api.host")


def host(*arguments, folder):
    """The report of the host, which works in `folder`."""
    spare = folder / "spare"
    spare.mkdir()
    environment = program.environment(PYTHONPATH=str(ROOT), TMPDIR=str(spare))
    ran = program.run_as_process(*arguments, command=HOST, cwd=folder, env=environment)
    assert ran.code == 0, ran.err
    return ran.json


@pytest.mark.parametrize("workers", [1, 2])
def test_a_render_leaves_its_host_as_it_was(session, workers):
    told = host("render", session.write(WHOLE), workers, folder=session.folder)
    assert told["after"] == told["before"]
    assert told["before"]["blas threads"] == [2, 2]


def test_renders_in_threads_leave_it_as_it_was_too(session):
    told = host("overlapping", session.write(WHOLE), folder=session.folder)
    assert told["after"] == told["before"]


def test_a_pool_ends_its_own_processes_only(tmp_path):
    assert host("pool", folder=tmp_path)["left"] == [True]


def test_a_hundred_renders_leave_nothing_that_grows(session):
    """After the first twenty renders, which fill caches, memory grows by less than 1 MB, and nothing else grows."""
    path = session.write(
        'grammar = 1\n[stems.kick]\nfile = "kick.wav"\nchain = [ { do = "gate", threshold_dbfs = -30 } ]\n[[deliver]]\nfile = "mix.wav"\n'
    )
    seen = host("many", path, 100, folder=session.folder)["seen"][20:]
    for what in ("descriptors", "threads", "files"):
        assert len({one[what] for one in seen}) == 1, what
    first, last = (sum(one["memory"] for one in part) / len(part) for part in (seen[:20], seen[-20:]))
    assert last - first < 1_000_000, "bytes"
