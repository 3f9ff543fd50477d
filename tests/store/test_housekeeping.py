"""Prints are dropped least recently used first, within a limit, and never those of a running render."""

from __future__ import annotations

import os
import time

import pytest

from chainrun.errors import ResourceError
from chainrun.store.store import Store, limit_gb
from tests.songs import KIT, hashes, made


def test_pruning_takes_the_least_recently_used(session, store, chainrun):
    path = session.write(KIT)
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
    assert (ran.code, "3 prints removed" in ran.out) == (0, True)
    assert chainrun("store", "prune").code == 0  # files that killed renders left, and no others
    assert hashes(made(path, store)[0]) == hashes(first)


def test_prints_of_a_running_render_stay(session, store):
    first, _ = made(session.write(KIT), store)
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
    result, _ = made(session.write(KIT), store)
    assert result.deliveries
    assert sum(one.n_bytes for one in Store(store).kept()) <= 400_000
    monkeypatch.setenv("CHAINRUN_STORE_GB", "much")
    with pytest.raises(ResourceError, match="not a number"):
        limit_gb()


def test_store_check_finds_bit_flips(session, store, chainrun):
    made(session.write(KIT), store)
    assert chainrun("store", "check").code == 0
    victim = Store(store).kept()[0].path
    data = bytearray(victim.read_bytes())
    data[100] ^= 4
    victim.write_bytes(bytes(data))
    ran = chainrun("store", "check")
    assert (ran.code, "1 prints damaged" in ran.out) == (1, True)
    assert chainrun("store", "check").code == 0
