"""Pages, walkthroughs and packs: what they show is what was measured, and nothing in them harms a stranger's reader.

Figures are held against values computed here by NumPy, or against the Audio EQ Cookbook's own numbers; contrast of 4.5:1 and
headings in order are WCAG 2.2's (1.4.3, 1.3.1), judged by axe-core where it is installed.
"""

from __future__ import annotations

import hashlib
import html.parser
import json
import os
import re
import shutil
import subprocess
import zipfile
from pathlib import Path

import numpy as np
import pytest
import soundfile

from chainrun.comparison.difference import difference
from chainrun.processors.eq import Eq
from chainrun.processors.saturate import Saturate
from chainrun.recipe import open_recipe
from chainrun.report import graph
from chainrun.report.compared import verify_page
from chainrun.report.content import (
    MOST_POINTS,
    Figure,
    Page,
    Panel,
    Section,
    Series,
    Table,
    Text,
    figure_table,
    highest,
)
from chainrun.report.draw import svg
from chainrun.report.page import Place, write_page
from chainrun.report.players import matched_gains
from chainrun.report.steps import curve, harmonics, response, response_figure
from tests.signals import drums, noise

pytest.importorskip("matplotlib")
pytest.importorskip("jinja2")
RATE = 48000
BROWSER = Path(__file__).parent / "browser" / "look.mjs"
SONG = """recipe = 1
title = "A song"
note = "How it was done."
[stems.kick]
file = "kick.wav"
to = "kit"
note = "The one at the shell."
chain = [
  { do = "gate", name = "door", threshold_db = -30, range_db = 40, note = "keeps the bleed out" },
  { do = "eq", name = "tone", bands = [ { kind = "bell", freq_hz = 1000, gain_db = 6 }, { kind = "low_cut", freq_hz = 60 } ] },
  { do = "saturate", name = "bite", drive_db = 12 },
]
[stems.pair]
file = "pair.wav"
level_db = -9
sends = { hall = -12 }
[stems.under]
file = "snare.wav"
to = "kit"
chain = [ { do = "compressor", name = "held", threshold_db = -30, ratio = 4, key = { from = ["kick"] } } ]
[buses.kit]
chain = [ { do = "compressor", name = "glue", threshold_db = -20, ratio = 3 } ]
[buses.hall]
chain = [ { do = "delay", time_ms = 20 } ]
[[deliver]]
file = "mix.wav"
target_lufs = -20
[variants.dry]
"stems.pair.level_db" = -30
"""
HOSTILE = [
    "<script>alert(1)</script>",
    "\x1b[31mred\x1b[0m\x07",
    "right \u202eto left\u202c",
    "x" * 300,
    "emoji \U0001f941 & \"quotes\" 'and' $math_{x}$ {{ 7 * 7 }}",
]


@pytest.fixture
def song(session):
    return session.write(SONG)


class Reader(html.parser.HTMLParser):
    """What a page holds: tags with their attributes, and its tables by caption."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.tables, self._caption, self._cell = [], {}, None, None
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag == "table":
            self._rows = []
        elif tag == "tr":
            self._rows.append([])
        elif tag in ("td", "th", "caption"):
            self._cell = ""

    def handle_data(self, data):
        if self._cell is not None:
            self._cell += data

    def handle_endtag(self, tag):
        if tag == "caption":
            self._caption, self._cell = self._cell, None
        elif tag in ("td", "th"):
            self._rows[-1].append(self._cell.strip())
            self._cell = None
        elif tag == "table":
            self.tables[self._caption.strip()] = [row for row in self._rows if row]


# -- figures say what was measured ---------------------------------------------------------------------------------------


def test_a_bell_is_drawn_as_the_cookbook_has_it():
    """Audio EQ Cookbook (R. Bristow-Johnson): the analog bell's gain at and around its frequency."""
    step = Eq.model_validate({"do": "eq", "bands": [{"kind": "bell", "freq_hz": 1000, "gain_db": 6, "q": 1.0}]})
    hz, db = response(step, RATE)
    a = 10 ** (6 / 40)
    s = 1j * hz / 1000
    analog = 20 * np.log10(np.abs((s**2 + s * a / 1.0 + 1) / (s**2 + s / (a * 1.0) + 1)))
    assert np.abs(db - analog).max() < 0.05
    figure = response_figure("x", "x", step, RATE)
    (table,) = figure_table(figure)
    assert np.allclose([float(row[1]) for row in table.rows], db, rtol=1e-4, atol=1e-4)
    two = Eq.model_validate(
        {
            "do": "eq",
            "bands": [{"kind": "bell", "freq_hz": 100, "gain_db": 6}, {"kind": "bell", "freq_hz": 5000, "gain_db": -3}],
        }
    )
    whole, first, second = (one.y for one in response_figure("x", "x", two, RATE).panels[0].series)
    assert np.abs(whole - first - second).max() < 1e-6


def test_a_clip_is_drawn_as_its_fourier_series():
    step = Saturate.model_validate({"do": "saturate", "curve": "hard_clip", "drive_db": 30})
    _, out = curve(step, RATE)
    assert 0 <= out[-1] < 20 * np.log10(1.179)  # full scale, and a band limit's overshoot (Gibbs: 17.9 %)
    _, levels = harmonics(step, RATE)
    x = np.clip(10 ** ((30 - 18) / 20) * np.sin(2 * np.pi * (np.arange(4800) + 0.5) / 4800), -1, 1)
    lines = np.abs(np.fft.rfft(x))
    assert levels[2] == pytest.approx(20 * np.log10(lines[3] / lines[1]), abs=0.1)
    assert levels[1] < -80


def test_the_page_shows_the_renders_own_numbers(song, session, chainrun):
    ran = chainrun("render", song, "-o", "out", "--report", "page", "--json")
    assert ran.code == 0, ran.err
    page = Reader(Path("page/index.html").read_text())
    row = page.tables["Delivered files"][1]
    measured = ran.json["deliveries"][0]["measured"]
    assert row[:2] == ["mix.wav", f"{measured['integrated_lufs']:.1f}"]
    assert float(row[3]) == pytest.approx(measured["true_peak_dbtp"], abs=0.006)
    reading = ran.json["nodes"]["kick"]["readings"][0]
    drawn = np.array([[float(cell) for cell in row] for row in page.tables["kick, door: all of it: dB taken away"][1:]])
    most = np.array(reading["curve_max_db"])
    step = -(-most.size // MOST_POINTS)
    wanted = [most[at : at + step].max() for at in range(0, most.size, step)]
    assert np.allclose(drawn[:, 1], wanted, atol=0.006)
    x, _ = soundfile.read("kick.wav")
    wave = np.array([[float(cell) for cell in row] for row in page.tables["kick, door: all of it: sample"][1:]])
    assert wave[:, 2].max() == pytest.approx(x.max(), rel=1e-4)
    bands = dict(page.tables["Third octaves of the mix: dBFS"][1:])
    assert float(bands["1000"]) == pytest.approx(measured["third_octave_db"]["1000"], abs=0.3)
    ways = page.tables["Every way of the sound"][1:]
    assert ["pair", "hall", "send", "-12.0 dB"] in ways and ["kick", "under", "key", "listened to"] in ways
    words = {row[0]: row for row in page.tables["The chain of kick"][1:]}
    assert words["door"][2].startswith("opens at -30 dBFS") and words["door"][3] == "keeps the bleed out"
    for tag, attrs in page.tags:
        if tag == "img":
            assert attrs["alt"] and (Path("page") / attrs["src"]).is_file()
    facts = Path("page/index.html").read_text()
    assert ran.json["recipe_hash"] in facts and ran.json["deliveries"][0]["pcm_sha256"] in facts


def test_figures_are_reproducible_and_their_tables_are_what_is_drawn():
    x = np.linspace(0.0, 10.0, 200)
    figure = Figure("f", "A figure", "alt", "s", [Panel("dB", [Series("a", x, np.sin(x)), Series("b", x, np.cos(x))])])
    assert svg(figure) == svg(figure)
    assert "#0" not in svg(figure) and "var(--ink)" in svg(figure) and "prefers-color-scheme" in svg(figure)
    (table,) = figure_table(figure)
    assert np.allclose(
        np.array(table.rows, dtype=float), np.stack([x, np.sin(x), np.cos(x)], axis=1), rtol=1e-4, atol=1e-4
    )
    place, tops = highest(np.arange(1000.0), np.arange(1000.0), 100)
    assert tops[-1] == 999 and place.size == 100


# -- strangers' words ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", HOSTILE)
def test_a_title_of_a_strangers_is_harmless(session, chainrun, text):
    quoted = json.dumps(text, ensure_ascii=False)
    path = session.write(
        f'recipe = 1\ntitle = {quoted}\nnote = {quoted}\n[stems.kick]\nfile = "kick.wav"\nnote = {quoted}\n'
        f'chain = [ {{ do = "gain", name = {json.dumps(text[:60].replace(".", ""), ensure_ascii=False)}, note = {quoted} }} ]\n'
    )
    ran = chainrun("render", path, "-o", "out", "--report", "page.html")
    assert ran.code == 0, ran.err
    page = Path("page.html").read_text()
    scripts = re.findall(r"<script>(.*?)</script>", page, flags=re.S)
    assert len(scripts) == 1 and "alert" not in scripts[0]
    assert not set("\x1b\x07\u202e\u202c") & set(page + ran.out + ran.err)
    assert ("49" not in Reader(page).tags[4][1].get("content", "") and "{{ 7 * 7 }}" in page) or "7 * 7" not in text
    assert chainrun("pack", path, "-o", "x.zip", "--no-licence").code == 0
    with zipfile.ZipFile("x.zip") as file:
        assert all(re.fullmatch(r"[A-Za-z0-9._/-]+", name) for name in file.namelist())
    assert chainrun("check", "x.zip").code == 0


def test_a_page_of_hostile_words_everywhere(tmp_path):
    rows = [[text] * 3 for text in HOSTILE]
    blocks = [Text(text) for text in HOSTILE] + [Table(["a", "b", "c"], rows, HOSTILE[0])]
    x = np.arange(3.0)
    figure = Figure(
        "f", HOSTILE[4], HOSTILE[0], HOSTILE[2], [Panel(HOSTILE[4], [Series(text, x, x) for text in HOSTILE])]
    )
    page = Page(
        HOSTILE[0],
        HOSTILE[1],
        [Section(text, blocks) for text in HOSTILE] + [Section("f", [figure])],
        [(HOSTILE[0], HOSTILE[1])],
    )
    text = write_page(page, Place.of(tmp_path / "page")).read_text()
    assert "<script>alert" not in text and "\x1b" not in text
    ids = re.findall(r'id="([^"]+)"', text)
    assert len(ids) == len(set(ids))


def test_one_file_holds_all_of_it(song, chainrun, tmp_path):
    assert chainrun("render", song, "-o", "out", "--report", "one.html").code == 0
    text = Path("one.html").read_text()
    assert not list(Path().glob("audio")) and not list(Path().glob("figures"))
    page = Reader(text)
    for tag, attrs in page.tags:
        for key in ("src", "href"):
            if key in attrs:
                assert attrs[key].startswith(("data:", "#")), (tag, attrs[key][:60])
    policy = next(attrs["content"] for tag, attrs in page.tags if attrs.get("http-equiv") == "Content-Security-Policy")
    assert "default-src 'none'" in policy and "unsafe" not in policy
    assert chainrun("render", song, "-o", "out", "--embed").code == 2
    assert chainrun("render", song, song, "-o", "out", "--report", "x").code == 2
    Path("taken").write_text("")
    assert chainrun("render", song, "-o", "out", "--report", "taken").code == 2


def test_without_the_extra_it_is_said_how_to_get_it(song, chainrun, monkeypatch):
    import importlib.util

    real = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util, "find_spec", lambda name, *more: None if name == "jinja2" else real(name, *more)
    )
    ran = chainrun("render", song, "-o", "out", "--report", "page")
    assert (ran.code, "pages need jinja2" in ran.err, "chainrun[report]" in ran.err) == (2, True, True)
    assert not Path("out").exists()


# -- every other page ------------------------------------------------------------------------------------------------------


def test_compare_verify_survey_and_batch_pages(song, session, chainrun):
    chainrun("verify", song, "--accept")
    ran = chainrun("verify", song, "--set", "stems.pair.level_db=-3", "--report", "v")
    assert ran.code == 1
    page = Reader(Path("v/index.html").read_text())
    checks = page.tables["Checks of song"][1:]
    assert any(row[0] == "failed" and row[1] == "mix.wav: residual" for row in checks)
    assert chainrun("compare", song, "--variant", "dry", "--report", "c").code == 0
    text = Path("c/index.html").read_text()
    files = [attrs["src"] for tag, attrs in Reader(text).tags if tag == "source"]
    a, b = (soundfile.read(Path("c") / name)[0] for name in files if name.endswith(".flac"))
    found = difference(Path("c") / files[0], Path("c") / files[2], match=False)
    assert abs(found.one.measured.integrated_lufs - found.other.measured.integrated_lufs) < 0.05
    assert max(np.abs(a).max(), np.abs(b).max()) <= 10 ** (-0.9 / 20)
    assert chainrun("survey", song, "--report", "s.html").code == 0 and "Every channel" in Path("s.html").read_text()
    Path("n.jobs.toml").write_text('jobs = 1\n[[job]]\nrecipes = ["song.recipe.toml"]\n')
    assert chainrun("batch", "n.jobs.toml", "--report", "b").code == 0
    assert Reader(Path("b/index.html").read_text()).tables["All jobs; a heading sorts"][1][:2] == ["song", "done"]
    assert verify_page([], []).about == "all 0 passed"


def test_matched_sounds_meet_where_all_of_them_may():
    assert matched_gains([(-30.0, -12.0), (-20.0, -0.5)]) == pytest.approx([9.5, -0.5])  # the second's peak is at -1
    assert matched_gains([(-40.0, -30.0), (-18.0, -6.0)]) == pytest.approx([20.0, -2.0])
    assert matched_gains([(-np.inf, -np.inf), (-30.0, -20.0)]) == [0.0, pytest.approx(10.0)]


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
    x = soundfile.read("out/mix.wav", always_2d=True)[0][: len(last)]
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


# -- in a browser --------------------------------------------------------------------------------------------------------------


def browser():
    """Chromium and the modules that look.mjs needs, or why they are not there."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    modules = Path(os.environ.get("CHAINRUN_NODE_MODULES", BROWSER.parent)) / "node_modules"
    if chromium is None or shutil.which("node") is None:
        return None, "chromium or node is not installed"
    if not all((modules / name).is_dir() for name in ("playwright-core", "axe-core")):
        return None, f"playwright-core and axe-core are not in {modules} (npm install)"
    return chromium, ""


def test_every_page_in_a_browser(song, session, chainrun):
    chromium, why = browser()
    if chromium is None:
        pytest.skip(why)
    chainrun("verify", song, "--accept")
    for command in (
        ("render", song, "-o", "out", "--report", "mix"),
        ("verify", song, "--set", "stems.pair.level_db=-3", "--report", "verify"),
        ("compare", song, "--variant", "dry", "--report", "compare.html"),
        ("survey", song, "--report", "survey"),
        ("walkthrough", song, "-o", "walk", "--stems", "kick"),
    ):
        assert chainrun(*command).code in (0, 1)
    Path("n.jobs.toml").write_text(
        'jobs = 1\n[[job]]\nrecipes = ["song.recipe.toml"]\n[[job]]\nrecipes = ["song.recipe.toml"]\nname = "b"\n'
    )
    chainrun("batch", "n.jobs.toml", "--report", "batch")
    pages = [*sorted(str(path) for path in Path().glob("*/index.html")), "compare.html"]
    assert len(pages) == 6
    ran = subprocess.run(["node", BROWSER, chromium, *pages], capture_output=True, text=True, timeout=300)
    assert ran.returncode == 0, ran.stderr
    seen = json.loads(ran.stdout)
    assert len(seen) == 3 * len(pages)
    for one in seen:
        what = (one["page"], one["width"], one["media"])
        assert (one["errors"], one["outside"], one["violations"]) == ([], [], []), what
        assert all(duration > 0 for duration in one["durations"]), what
        assert one["headings"][0] == 1 and all(
            b - a <= 1 for a, b in zip(one["headings"], one["headings"][1:], strict=False)
        ), what
        assert all(alt and whole for alt, whole in one["images"]), what
        assert one["overflow"] <= 0, what
    assert {one["page"] for one in seen if one["players"]} >= {"mix/index.html", "walk/index.html", "compare.html"}
    assert any(one["sorted"] == "ascending" for one in seen)


def test_the_graph_has_every_node(song, session):
    from chainrun.plan import build_plan

    plan = build_plan(open_recipe(song))
    drawn = graph.picture(plan)
    for node in plan.nodes:
        assert f">{node.name}<" in drawn.svg
    assert drawn.svg.count('<path d="M') == len(graph.edges(plan)) + 3
