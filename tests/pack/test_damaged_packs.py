"""Packs made wrong: long lists, unlisted files, sizes, roots, names, damage."""

from __future__ import annotations

import lzma
import shutil
import zipfile
from pathlib import Path

import pytest

SONG = 'grammar = 1\n[stems.kick]\nfile = "kick.wav"\n[[deliver]]\nfile = "mix.wav"\n'


@pytest.fixture
def pack(session, chainrun):
    """A good pack, and `remade(change)`: its entries by name, changed and zipped again."""
    session.write(SONG)
    assert chainrun("pack", "song.recipe.toml", "--no-licence", "--write", "good.zip").code == 0
    with zipfile.ZipFile("good.zip") as file:
        entries = {one.filename: file.read(one) for one in file.infolist()}

    def remade(change, compression=zipfile.ZIP_DEFLATED):
        changed = change(dict(entries))
        with zipfile.ZipFile("bad.zip", "w", compression) as file:
            for name, data in changed.items():
                info = zipfile.ZipInfo("x" if name in ("", ".") else name)
                info.compress_type = compression
                if name in ("", "."):
                    info.filename = name
                file.writestr(info, data)
        return Path("bad.zip")

    return remade


def sums_name(entries):
    return next(name for name in entries if name.endswith("SHA256SUMS"))


def test_a_long_list_of_sums_is_refused(pack, chainrun):
    line = "0" * 64 + "  name\n"
    path = pack(lambda entries: {**entries, sums_name(entries): (line * 40000).encode()})
    ran = chainrun("check", path)
    assert (ran.code, "SHA256SUMS is too long" in ran.err) == (3, True)


def test_unlisted_files_are_refused_before_anything_is_unpacked(pack, chainrun, monkeypatch):
    folder = None

    def change(entries):
        nonlocal folder
        folder = next(iter(entries)).split("/")[0]
        return {**entries, f"{folder}/extra.bin": b"x"}

    path = pack(change)
    import chainrun.pack.check as module

    def unpack(*_):
        raise AssertionError("something was unpacked")

    monkeypatch.setattr(module, "work_folder", unpack)
    ran = chainrun("check", path)
    assert (ran.code, "is in the pack, but not in its list" in ran.err) == (1, True)


def test_the_whole_unpacked_size_is_bounded(pack, chainrun, monkeypatch):
    path = pack(lambda entries: entries)
    monkeypatch.setenv("CHAINRUN_LIMITS", "disk_gb=0.000001")
    ran = chainrun("check", path)
    assert (ran.code, "above the limit disk_gb" in ran.err) == (3, True)


def test_a_pack_is_its_own_root_wherever_it_is_unpacked(session, chainrun, monkeypatch, tmp_path_factory):
    """A mark above the place for temporary files does not let a stranger's recipe read files there."""
    place = tmp_path_factory.mktemp("marked")
    (place / ".chainrun-root").touch()
    shutil.copy("kick.wav", place / "kick.wav")
    session.write(SONG)
    assert chainrun("pack", "song.recipe.toml", "--no-licence", "--write", "good.zip").code == 0
    import hashlib

    with zipfile.ZipFile("good.zip") as old, zipfile.ZipFile("bad.zip", "w") as new:
        entries = {one.filename: old.read(one) for one in old.infolist()}
        recipe = next(name for name in entries if name.endswith(".recipe.toml"))
        before = hashlib.sha256(entries[recipe]).hexdigest()
        entries[recipe] = entries[recipe].replace(b'"stems"', b'".."').replace(b'"kick.flac"', b'"kick.wav"')
        sums = sums_name(entries)
        entries[sums] = entries[sums].replace(before.encode(), hashlib.sha256(entries[recipe]).hexdigest().encode())
        for name, data in entries.items():
            new.writestr(name, data)
    monkeypatch.setenv("TMPDIR", str(place))
    import tempfile

    monkeypatch.setattr(tempfile, "tempdir", None)
    ran = chainrun("check", "bad.zip")
    assert (ran.code, "outside the recipe's root" in ran.err) == (3, True), ran.err


@pytest.mark.parametrize("name", ["", "."])
def test_entries_without_a_name(pack, chainrun, name):
    ran = chainrun("check", pack(lambda entries: {name: b"x", **entries}))
    assert ran.code == 3, ran.err
    assert "defect" not in ran.err


def test_lzma_damage_and_false_flags(pack, chainrun):
    path = pack(lambda entries: entries, zipfile.ZIP_LZMA)
    data = bytearray(path.read_bytes())
    with zipfile.ZipFile(path) as file:
        big = max(file.infolist(), key=lambda one: one.compress_size)
    at = big.header_offset + 30 + len(big.filename)
    data[at + 9 : at + 60] = b"\xff" * 51
    path.write_bytes(bytes(data))
    ran = chainrun("check", path)
    assert (ran.code, "defect" in ran.err) == (3, False), ran.err
    path = pack(lambda entries: entries)
    data = bytearray(path.read_bytes())
    at = data.find(b"PK\x01\x02")
    data[at + 9] |= 0x08  # "the name is UTF-8"
    data[at + 46 : at + 48] = b"\xff\xfe"
    path.write_bytes(bytes(data))
    ran = chainrun("check", path)
    assert (ran.code, "defect" in ran.err) == (3, False), ran.err
    assert lzma
