"""Pages, walkthroughs and packs: what they show is what was measured, and nothing in them harms a stranger's reader.

Figures are held against values computed here by NumPy, or against the Audio EQ Cookbook's own numbers; contrast of 4.5:1 and
headings in order are WCAG 2.2's (1.4.3, 1.3.1), judged by axe-core where it is installed."""

from __future__ import annotations

import hashlib
import os
import re
import zipfile
from pathlib import Path

import numpy as np
import soundfile

from chainrun.comparison.difference import difference
from tests.report.parts import RATE, SONG, Reader
from tests.signals import drums, noise

# -- the walkthrough -------------------------------------------------------------------------------------------------------


def test_a_walkthrough_tells_each_step(song, session, chainrun, store):
    ran = chainrun("walkthrough", song, "-o", "walk", "--stems", "kick,under")
    assert ran.code == 0, ran.err
    text = Path("walk/index.html").read_text()
    titles = re.findall(r"<h3[^>]*><bdi>(.*?)</bdi>", text)
    others = ["In the bus kit", "In the mix"]
    steps = ["1. door (gate)", "2. tone (eq)", "3. bite (saturate)", "The whole chain"]
    assert titles == [*steps, *others, "1. held (compressor)", *others]
    assert "opens at -30 dBFS" in text and "keeps the bleed out" in text and "The one at the shell." in text
    # The last stage is what the render itself makes, but for the float32 edges between the steps.
    chainrun(
        "render",
        song,
        "-o",
        "out",
        "--set",
        'deliver.0.what="stems.kick"',
        "--set",
        "deliver.0.bits=32",
        "--set",
        "deliver.0.dither=false",
    )
    last, _ = soundfile.read("walk/audio/kick-3.flac", always_2d=True)
    n = len(last) - 4800
    x = soundfile.read(next(Path("out").rglob("mix.wav")), always_2d=True)[0][: len(last)]
    scale = np.dot(x[4800:n, 0], last[4800:n, 0]) / np.dot(x[4800:n, 0], x[4800:n, 0])
    assert np.abs(last[4800:n, 0] - scale * x[4800:n, 0]).max() < 2 / 2**15  # clips have 16 bits, with dither
    prints = len(list(store.glob("prints/*/*")))
    again = chainrun("walkthrough", song, "-o", "walk2", "--stems", "kick,under")
    assert again.code == 0 and len(list(store.glob("prints/*/*"))) == prints  # all stages were kept
    assert again.err.count("rendered") == 0


def test_a_walkthrough_tells_all_notes_and_leaves_nothing_behind(session, chainrun):
    path = session.write(
        'recipe = 1\n[stems.a]\nfile = "kick.wav"\nto = "b"\nchain = [ { do = "branches", branches = [ '
        '{ chain = [ { do = "gain", gain_db = 2, note = "inner note" } ] } ] } ]\n[stems.z]\nfile = "snare.wav"\nmute = true\n'
        '[buses.b]\nnote = "bus note"\nchain = [ { do = "gain", note = "bus step note" } ]\n'
    )
    assert chainrun("walkthrough", path, "-o", "w").code == 0
    text = Path("w/index.html").read_text()
    for told in ("inner note", "bus note", "bus step note", "left out here: z"):
        assert told in text, told
    session.write('recipe = 1\n[stems.a]\nfile = "kick.wav"\nto = "b"\n[buses.b]\nnote = "bus note"\n')
    assert chainrun("walkthrough", path, "-o", "w").code == 0
    text = Path("w/index.html").read_text()
    assert "the only stem" in text and "bus note" in text
    listed = {attrs["src"] for tag, attrs in Reader(text).tags if "src" in attrs}
    there = {
        path.relative_to("w").as_posix() for folder in ("audio", "figures") for path in Path("w", folder).iterdir()
    }
    assert there == listed  # what the first page had is gone
    for span in (("--from", "3", "--to", "2"), ("--from", "100")):
        assert chainrun("walkthrough", path, "-o", "empty", *span).code == 2
        assert not Path("empty").exists()
    Path("mine.html").write_text("hi")
    assert chainrun("walkthrough", path, "-o", "mine.html").code == 2
    assert Path("mine.html").read_text() == "hi"


def test_a_page_of_an_hour_is_no_larger_than_that_of_minutes(session, chainrun):
    """Sizes do not grow with length: points are thinned. (An hour's 5 MB are held by the demo's 12 stems in the bench.)"""
    sizes = []
    for seconds in (40, 400):
        x = np.tile(drums(8000 * 20, rate=8000), seconds // 20) * 0.5
        soundfile.write("long.wav", x, 8000, subtype="PCM_16")
        path = session.write(
            'recipe = 1\n[stems.a]\nfile = "long.wav"\nchain = [ { do = "compressor", threshold_db = -20 } ]\n'
        )
        assert chainrun("render", path, "-o", "out", "--report", f"p{seconds}").code == 0
        sizes.append(
            sum(one.stat().st_size for one in Path(f"p{seconds}").rglob("*") if one.suffix != ".mp3" and one.is_file())
        )
    assert sizes[1] < 1.5 * sizes[0] and sizes[1] < 1_000_000


def test_a_walkthroughs_stretch_and_mistakes(song, session, chainrun):
    ran = chainrun(
        "walkthrough", song, "-o", "walk.html", "--stems", "pair", "--from", "0.1", "--to", "0.3", "--no-store"
    )
    assert ran.code == 0, ran.err
    assert "from 0.1 to 0.3 s" in Path("walk.html").read_text()
    ran = chainrun("walkthrough", song, "-o", "w", "--stems", "kik")
    assert (ran.code, "did you mean 'kick'" in ran.err) == (2, True)
    assert chainrun("walkthrough", song, "-o", "w", "--from", "5", "--to", "3").code == 2


# -- the pack ----------------------------------------------------------------------------------------------------------------


def unpack(path, folder):
    with zipfile.ZipFile(path) as file:
        file.extractall(folder)
    return next(Path(folder).iterdir())


def test_a_pack_renders_to_the_same_samples(song, session, chainrun, tmp_path):
    soundfile.write("box.wav", np.exp(-np.arange(2400) / 300) * noise(2400, 0.5), RATE)
    song.write_text(SONG.replace('{ do = "delay", time_ms = 20 }', '{ do = "convolve", file = "box.wav" }'))
    Path("LICENCE").write_text("do what you like\n")
    mine = chainrun("render", song, "-o", "out", "--json").json["deliveries"][0]["pcm_sha256"]
    assert chainrun("pack", song, "-o", "gift.zip", "--licence", "LICENCE").code == 0
    ran = chainrun("check", "gift.zip")
    assert (ran.code, "whole" in ran.out) == (0, True)
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
    chainrun("pack", song, "-o", "gift.zip", "--licence", "LICENCE")
    assert Path("gift.zip").read_bytes() == first


def test_processed_stems_make_the_same_mix(song, session, chainrun, tmp_path):
    text = SONG.replace(
        'name = "glue", threshold_db = -20', 'name = "glue", key = { from = ["kick"] }, threshold_db = -20'
    )
    text = text.replace("[stems.kick]", "[stems.kick]\ninvert = true\ntrim_db = 3.0\nshift_samples = 12.5")
    session.write(text + '[expect]\n"stems.kick.chain.0.gain_reduction_max_db" = { at_least = 1 }\n')
    chainrun("render", song, "-o", "out")
    assert chainrun("pack", song, "-o", "gift.zip", "--stems", "processed", "--no-licence").code == 0
    folder = unpack("gift.zip", tmp_path / "theirs")
    assert 'do = "gate"' not in (folder / "song.recipe.toml").read_text()
    assert "No licence is given" in (folder / "README.txt").read_text()
    assert chainrun("verify", folder / "song.recipe.toml").code == 1  # no baseline; but what it expects is there
    chainrun("render", folder / "song.recipe.toml", "-o", tmp_path / "o")
    assert difference(Path("out/mix.wav"), tmp_path / "o" / "mix.wav", match=False).residual_lu < -60


def test_a_damaged_pack_and_a_trap_are_told(song, session, chainrun, tmp_path):
    chainrun("pack", song, "-o", "gift.zip", "--no-licence")

    def changed(edit):
        with zipfile.ZipFile("gift.zip") as source, zipfile.ZipFile("bad.zip", "w") as target:
            for one in source.infolist():
                for name, data in edit(one.filename, source.read(one)):
                    target.writestr(name, data)
        return chainrun("check", "bad.zip")

    ran = changed(lambda name, data: [(name, data + b"x" if name.endswith("README.txt") else data)])
    assert (ran.code, "is not what was packed" in ran.err) == (1, True)
    ran = changed(lambda name, data: [] if name.endswith("measurements.json") else [(name, data)])
    assert (ran.code, "is in the list, and not in the pack" in ran.err) == (1, True)
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
    assert (ran.code, "no pack that can be read" in ran.err) == (3, True)


def test_pack_asks_for_a_licence(song, session, chainrun):
    ran = chainrun("pack", song, "-o", "gift.zip")
    assert (ran.code, "--no-licence" in ran.err) == (2, True)
    assert chainrun("pack", song, "-o", "gift.tar", "--no-licence").code == 2
    assert chainrun("pack", song, "-o", "gift.zip", "--licence", "nowhere").code == 2
    assert chainrun("pack", song, "-o", "gift.zip", "--no-licence", "--stems", "all").code == 2
    assert not Path("gift.zip").exists()
