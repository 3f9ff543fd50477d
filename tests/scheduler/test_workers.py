"""Any number of workers makes the same bits, and reports the same errors."""

from __future__ import annotations

import sys

import numpy as np
import pytest
import soundfile

from chainrun.errors import AudioError, Problem, ResourceError
from chainrun.problem_codes import Code
from tests import program
from tests.songs import KIT, WHOLE, hashes, made

ALL = {"kick", "snare", "pair", "kit", "hall", "main"}


@pytest.mark.parametrize("workers", [3])
def test_any_number_of_workers_makes_the_same_bits(session, store, tmp_path_factory, workers):
    path = session.write(KIT)
    alone, _ = made(path, store)
    other, fresh = made(path, tmp_path_factory.mktemp("other"), "out2", workers=workers)
    assert fresh == ALL
    assert hashes(other) == hashes(alone)
    one, two = alone.record(), other.record()
    for name in ALL:
        assert one["nodes"][name]["readings"] == two["nodes"][name]["readings"]
        assert one["nodes"][name]["measured"] == two["nodes"][name]["measured"]


def test_an_error_in_a_worker_is_reported_like_any_other(session, store):
    bad = np.full(24000, 0.1, dtype=np.float32)
    bad[100] = np.nan
    soundfile.write("kick.wav", bad, 48000, subtype="FLOAT")
    with pytest.raises(AudioError, match="frame 100"):
        made(session.write(KIT), store, workers=2)


def test_errors_travel_between_processes():
    import pickle

    error = pickle.loads(
        pickle.dumps(
            ResourceError([Problem("a", key="b", code=Code.OUT_OF_MEMORY), Problem("c", code=Code.CANNOT_WRITE)])
        )
    )
    assert [problem.text() for problem in error.problems] == ["b  a", "c"]
    assert error.exit_code == 5


IN_A_DAEMON = """
import multiprocessing, sys
def work(path):
    import chainrun
    try:
        return chainrun.render(path, "out", workers=2).failures
    except chainrun.ChainrunError as error:
        return error.problems[0].code.value
if __name__ == "__main__":
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        print(pool.apply(work, (sys.argv[1],)))
"""


def test_a_process_that_may_have_no_children_gets_an_error(session):
    """Workers of a host's own pool are daemons, which may start no processes."""
    (session.folder / "host.py").write_text(IN_A_DAEMON)
    command = (sys.executable, str(session.folder / "host.py"))
    ran = program.run_as_process(session.write(WHOLE), command=command, env=program.environment())
    assert ran.out.strip() == "worker-not-started", ran.err
