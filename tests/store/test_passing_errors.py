"""A print that cannot be read just now stays: only a wrong checksum or an unreadable format drops it."""

import errno
import io
import os
from pathlib import Path

import pytest

from chainrun.store import Store
from tests.songs import WHOLE, made


@pytest.fixture
def kept(session, store):
    """A store with prints, and the result that they came from."""
    result, _ = made(session.write(WHOLE), store)
    return Store(store), result


def failing(number, real=io.open):
    """An `open` of prints that ends with a system error."""

    def call(file, *arguments, **more):
        if "prints" in str(file):
            raise OSError(number, os.strerror(number), str(file))
        return real(file, *arguments, **more)

    return call


@pytest.mark.parametrize("number", [errno.EMFILE, errno.EACCES, errno.EIO, errno.ENOMEM], ids=errno.errorcode.get)
def test_a_passing_error_evicts_nothing(kept, monkeypatch, number):
    store, result = kept
    before = [one.path for one in store.kept()]
    identity = result.nodes[0].identity
    with monkeypatch.context() as patch:
        patch.setattr(io, "open", failing(number))
        assert store.footer(identity) is None
        assert store.verified(identity) is None
        found = store.check()
    assert found.dropped == ()
    assert {Path(problem.file) for problem in found.unread} == set(before)
    assert [one.path for one in store.kept()] == before
    assert store.verified(identity) is not None, "and it is whole"


def test_the_next_render_uses_it_again(kept, session, store):
    _, missing = made(session.write(WHOLE), store, "again")
    assert missing == set()


def test_store_check_lists_prints_that_it_could_not_read(kept, chainrun, monkeypatch):
    monkeypatch.setattr(io, "open", failing(errno.EACCES))
    ran = chainrun("store", "check")
    assert ran.code == 5
    assert "Permission denied" in ran.err and ran.out.startswith("0 prints damaged and removed")
