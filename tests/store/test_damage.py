"""The traces of a power cut or a slip in a store never change a mix, and never stop a render."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from chainrun.store.store import Store
from tests.songs import KIT, hashes, made


@pytest.fixture
def kept(session, store, monkeypatch):
    """A render with cached hashes of its stems. Files younger than two seconds have none; here no file is fresh."""
    for path in Path().glob("*.wav"):
        os.utime(path, (1_000_000_000, 1_000_000_000))
    path = session.write(KIT)
    monkeypatch.setattr("chainrun.store.store.FRESH_S", -1.0)  # the inode's own time cannot be set
    first, _ = made(path, store)
    notes = sorted(place for place in (store / "hashes").rglob("*") if place.is_file())
    assert notes
    return path, hashes(first), notes


@pytest.mark.parametrize(
    "damage",
    [bytes(64), b"\xff" * 64, b"", b"0" * 64, b"0" * 64 + b" 0123456789abcdef\n", b"x"],
    ids=["zeros of a power cut", "no UTF-8", "empty", "another hash", "another hash, summed", "short"],
)
def test_a_damaged_hash_of_a_stem_is_dropped(kept, store, chainrun, damage):
    path, expected, notes = kept
    for note in notes:
        note.write_bytes(damage)
    again, rendered = made(path, store)
    assert hashes(again) == expected
    assert rendered == set()
    for note in notes:
        note.write_bytes(damage)
    ran = chainrun("store", "check", "--store", store)
    assert (ran.code, f"{len(notes)} damaged" in ran.out or "hash of a stem" in ran.out) == (1, True)
    assert chainrun("store", "check", "--store", store).code == 0


def test_cached_hashes_of_other_stems_are_not_used(kept, store):
    path, expected, notes = kept
    texts = [note.read_bytes() for note in notes]
    for note, text in zip(notes, [*texts[1:], texts[0]], strict=True):
        note.write_bytes(text)
    again, rendered = made(path, store)
    assert (hashes(again), rendered) == (expected, set())


def test_two_exchanged_prints_are_noticed(kept, store, chainrun):
    path, expected, _ = kept
    prints = [one.path for one in Store(store).kept()]
    a, b = prints[:2]
    a.rename("a"), b.rename("b")
    Path("a").rename(b), Path("b").rename(a)
    again, rendered = made(path, store)
    assert hashes(again) == expected
    assert len(rendered) == 2
    a, b = prints[2:4]
    a.rename("a"), b.rename("b")
    Path("a").rename(b), Path("b").rename(a)
    assert chainrun("store", "check", "--store", store).code == 1


def test_pipes_and_links_in_a_store_are_dropped_unread(kept, store, chainrun):
    path, expected, notes = kept
    print_ = Store(store).kept()[0].path
    print_.unlink()
    os.mkfifo(print_)
    notes[0].unlink()
    notes[0].symlink_to("/dev/zero")
    again, _ = made(path, store)
    assert hashes(again) == expected
    os.mkfifo(store / "prints" / "ab0123") if not (store / "prints" / "ab").exists() else None
    (store / "prints" / "cd").mkdir(exist_ok=True)
    os.mkfifo(store / "prints" / "cd" / ("cd" * 32))
    assert chainrun("store", "check", "--store", store).code == 1
    assert chainrun("store", "check", "--store", store).code == 0
