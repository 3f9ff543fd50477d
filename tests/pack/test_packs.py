"""A pack renders to the same samples; damage, traps and missing licences are reported."""

from __future__ import annotations

import hashlib
import os
import zipfile
from pathlib import Path

import numpy as np
import soundfile

from chainrun.comparison.difference import difference
from tests.signals import RATE, noise
from tests.songs import DRAWN


def unpack(path, folder):
    with zipfile.ZipFile(path) as file:
        file.extractall(folder)
    return next(Path(folder).iterdir())


def test_a_pack_renders_to_the_same_samples(song, session, chainrun, tmp_path):
    soundfile.write("box.wav", np.exp(-np.arange(2400) / 300) * noise(2400, 0.5), RATE)
    song.write_text(DRAWN.replace('{ do = "delay", time_ms = 20 }', '{ do = "convolve", file = "box.wav" }'))
    Path("LICENCE").write_text("do what you like\n")
    mine = chainrun("render", song, "-o", "out", "--json").json["deliveries"][0]["pcm_sha256"]
    assert chainrun("pack", song, "--write", "gift.zip", "--licence", "LICENCE").code == 0
    ran = chainrun("check", "gift.zip")
    assert (ran.code, "complete" in ran.out) == (0, True)
    folder = unpack("gift.zip", tmp_path / "theirs")
    names = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    assert {"SHA256SUMS", "LICENCE.txt", "README.txt", "measurements.json", "mix/mix.wav", "song.recipe.toml"} <= names
    for name, digest in (line.split("  ")[::-1] for line in (folder / "SHA256SUMS").read_text().splitlines()):
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest
    theirs = chainrun("render", folder / "song.recipe.toml", "-o", tmp_path / "o", "--json")
    assert theirs.json["deliveries"][0]["pcm_sha256"] == mine
    for name in names - {"LICENCE.txt"}:
        data = (folder / name).read_bytes()
        assert str(tmp_path).encode() not in data and os.path.expanduser("~/").encode() not in data
    with zipfile.ZipFile("gift.zip") as file:
        assert {one.date_time for one in file.infolist()} == {(1980, 1, 1, 0, 0, 0)}
    first = Path("gift.zip").read_bytes()
    chainrun("pack", song, "--write", "gift.zip", "--licence", "LICENCE")
    assert Path("gift.zip").read_bytes() == first


def test_processed_stems_make_the_same_mix(song, session, chainrun, tmp_path):
    text = DRAWN.replace(
        'name = "glue", threshold_dbfs = -20', 'name = "glue", key = { from = ["kick"] }, threshold_dbfs = -20'
    )
    text = text.replace("[stems.kick]", "[stems.kick]\ninvert = true\ntrim_db = 3.0\nshift_samples = 12.5")
    session.write(text + '[expect]\n"stems.kick.chain.0.gain_reduction_max_db" = { min = 1 }\n')
    chainrun("render", song, "-o", "out")
    assert chainrun("pack", song, "--write", "gift.zip", "--tap", "after_chain", "--no-licence").code == 0
    folder = unpack("gift.zip", tmp_path / "theirs")
    assert 'do = "gate"' not in (folder / "song.recipe.toml").read_text()
    assert "No licence is given" in (folder / "README.txt").read_text()
    assert chainrun("verify", folder / "song.recipe.toml").code == 1  # no baseline, but its expectations are there
    chainrun("render", folder / "song.recipe.toml", "-o", tmp_path / "o")
    assert difference(Path("out/mix.wav"), tmp_path / "o" / "mix.wav", match=False).residual_lu < -60


def test_a_damaged_pack_and_a_trap_are_reported(song, session, chainrun, tmp_path):
    chainrun("pack", song, "--write", "gift.zip", "--no-licence")

    def changed(edit):
        with zipfile.ZipFile("gift.zip") as source, zipfile.ZipFile("bad.zip", "w") as target:
            for one in source.infolist():
                for name, data in edit(one.filename, source.read(one)):
                    target.writestr(name, data)
        return chainrun("check", "bad.zip")

    ran = changed(lambda name, data: [(name, data + b"x" if name.endswith("README.txt") else data)])
    assert (ran.code, "was changed after packing" in ran.err) == (1, True)
    ran = changed(lambda name, data: [] if name.endswith("measurements.json") else [(name, data)])
    assert (ran.code, "is in the list, but not in the pack" in ran.err) == (1, True)
    ran = changed(
        lambda name, data: [(name, data), *([("song/more.txt", b"x")] if name.endswith("README.txt") else [])]
    )
    assert (ran.code, "not in its list" in ran.err) == (1, True)
    for evil in ("song/../../evil.txt", "/evil.txt", "other/evil.txt", "song/a\\b", "song/C:evil"):
        ran = changed(
            lambda name, data, evil=evil: [(name, data), *([(evil, b"x")] if name.endswith("README.txt") else [])]
        )
        assert ran.code == 3, evil
    assert not (tmp_path / "evil.txt").exists() and not Path("/evil.txt").exists()
    ran = changed(lambda name, data: [(name, data)] if not name.endswith("SHA256SUMS") else [])
    assert (ran.code, "SHA256SUMS is missing" in ran.err) == (3, True)
    with zipfile.ZipFile("bomb.zip", "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr("song/zeros", b"\0" * (64 << 20))
    assert chainrun("check", "bomb.zip").code == 3
    Path("text.zip").write_text("no zip")
    ran = chainrun("check", "text.zip")
    assert (ran.code, "this pack cannot be read" in ran.err) == (3, True)


def test_pack_asks_for_a_licence(song, session, chainrun):
    ran = chainrun("pack", song, "--write", "gift.zip")
    assert (ran.code, "--no-licence" in ran.err) == (2, True)
    assert chainrun("pack", song, "--write", "gift.tar", "--no-licence").code == 2
    assert chainrun("pack", song, "--write", "gift.zip", "--licence", "nowhere").code == 2
    assert chainrun("pack", song, "--write", "gift.zip", "--no-licence", "--tap", "all").code == 2
    assert not Path("gift.zip").exists()
