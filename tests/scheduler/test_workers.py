"""Any number of workers makes the same bits, and tells errors like one."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from chainrun.errors import AudioError, Problem, ResourceError
from chainrun.problem_codes import Code
from tests.songs import KIT, hashes, made

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


def test_an_error_in_a_worker_is_told_like_any_other(session, store):
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
