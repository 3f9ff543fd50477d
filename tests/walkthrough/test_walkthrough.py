"""A walkthrough shows each step, its notes and its stretch, and is no larger for an hour."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import soundfile

from tests.report.reader import Reader
from tests.signals import drums


def test_a_walkthrough_describes_each_step(song, session, chainrun, store):
    ran = chainrun("walkthrough", song, "-o", "walk", "--stems", "kick,under")
    assert ran.code == 0, ran.err
    text = Path("walk/index.html").read_text()
    titles = re.findall(r"<h3[^>]*><bdi>(.*?)</bdi>", text)
    others = ["In the bus kit", "In the mix"]
    steps = ["1. door (gate)", "2. tone (eq)", "3. bite (saturate)", "The whole chain"]
    assert titles == [*steps, *others, "1. held (compressor)", *others]
    assert "opens at -30 dBFS" in text and "keeps the bleed out" in text and "The one at the shell." in text
    # The last stage equals the render's own output, except for float32 between the steps.
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


def test_a_walkthrough_shows_all_notes_and_leaves_no_files(session, chainrun):
    path = session.write(
        'grammar = 1\n[stems.a]\nfile = "kick.wav"\nto = "b"\nchain = [ { do = "branches", branches = [ '
        '{ chain = [ { do = "gain", gain_db = 2, note = "inner note" } ] } ] } ]\n[stems.z]\nfile = "snare.wav"\nmute = true\n'
        '[buses.b]\nnote = "bus note"\nchain = [ { do = "gain", note = "bus step note" } ]\n'
    )
    assert chainrun("walkthrough", path, "-o", "w").code == 0
    text = Path("w/index.html").read_text()
    for told in ("inner note", "bus note", "bus step note", "left out here: z"):
        assert told in text, told
    session.write('grammar = 1\n[stems.a]\nfile = "kick.wav"\nto = "b"\n[buses.b]\nnote = "bus note"\n')
    assert chainrun("walkthrough", path, "-o", "w").code == 0
    text = Path("w/index.html").read_text()
    assert "the only stem" in text and "bus note" in text
    listed = {attrs[key] for _, attrs in Reader(text).tags for key in ("src", "srcset") if key in attrs}
    there = {
        path.relative_to("w").as_posix() for folder in ("audio", "figures") for path in Path("w", folder).iterdir()
    }
    assert there == listed  # what the first page had is gone
    for span in (("--from", "3", "--to", "2"), ("--from", "100")):
        assert chainrun("walkthrough", path, "-o", "empty", *span).code == 2
        assert not Path("empty").exists()
    Path("mine.html").write_text("hi")
    assert chainrun("walkthrough", path, "--write", "mine.html").code == 2
    assert Path("mine.html").read_text() == "hi"


def test_a_page_of_an_hour_is_no_larger_than_that_of_minutes(session, chainrun):
    """Sizes do not grow with length: points are thinned. (An hour's 5 MB are held by the demo's 12 stems in the bench.)"""
    sizes = []
    for seconds in (40, 400):
        x = np.tile(drums(8000 * 20, rate=8000), seconds // 20) * 0.5
        soundfile.write("long.wav", x, 8000, subtype="PCM_16")
        path = session.write(
            'grammar = 1\n[stems.a]\nfile = "long.wav"\nchain = [ { do = "compressor", threshold_dbfs = -20 } ]\n'
        )
        assert chainrun("render", path, "-o", "out", "--report", f"p{seconds}").code == 0
        sizes.append(
            sum(one.stat().st_size for one in Path(f"p{seconds}").rglob("*") if one.suffix != ".mp3" and one.is_file())
        )
    assert sizes[1] < 1.5 * sizes[0] and sizes[1] < 1_000_000


def test_a_walkthroughs_stretch_and_mistakes(song, session, chainrun):
    ran = chainrun(
        "walkthrough", song, "--write", "walk.html", "--stems", "pair", "--from", "0.1", "--to", "0.3", "--no-store"
    )
    assert ran.code == 0, ran.err
    assert "from 0.1 to 0.3 s" in Path("walk.html").read_text()
    ran = chainrun("walkthrough", song, "-o", "w", "--stems", "kik")
    assert (ran.code, "did you mean 'kick'" in ran.err) == (2, True)
    assert chainrun("walkthrough", song, "-o", "w", "--from", "5", "--to", "3").code == 2
