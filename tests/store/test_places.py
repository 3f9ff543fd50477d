"""Stores that are impossible, stores without a home folder, and stores that two renders share."""

from __future__ import annotations

import os
from pathlib import Path

from chainrun.store.store import Store
from tests import program
from tests.songs import KIT, long_session, made


def test_an_impossible_store_is_reported(session, chainrun):
    Path("file").touch()
    ran = chainrun("render", session.write(KIT), "-o", "out", "--store", "file/store")
    assert (ran.code, "the store cannot be written to" in ran.err, "--no-store" in ran.err) == (5, True, True)
    ran = chainrun("render", session.write(KIT), "--store", "a", "--no-store")
    assert ran.code == 2


def test_without_a_home_prints_are_not_kept(session):
    environment = {"PATH": os.environ["PATH"], "HOME": "/nowhere/at/all"}
    ran = program.run_as_process("render", session.write(KIT), "-o", "out", env=environment)
    assert ran.code == 0, ran.err
    assert Path("out/mix.wav").exists()


def test_two_renders_at_once_share_a_store(session, store):
    path = long_session(session, 10)
    both = [program.start("render", path, "-o", f"out{i}", "--json") for i in range(2)]
    found = [program.ended(process).json for process in both]
    assert found[0]["deliveries"][0]["pcm_sha256"] == found[1]["deliveries"][0]["pcm_sha256"]
    assert made(path, store)[1] == set()
    assert Store(store).check().dropped == ()
