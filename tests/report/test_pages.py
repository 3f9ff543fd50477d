"""Pages show the measured numbers, and hostile text in them is harmless.

Figures are checked against values from NumPy, or against the Audio EQ Cookbook's own numbers; contrast of 4.5:1 and
headings in order are WCAG 2.2's (1.4.3, 1.3.1), judged by axe-core where it is installed.
"""

from __future__ import annotations

import json
import re
import zipfile
from pathlib import Path

import numpy as np
import pytest
import soundfile

from chainrun.comparison.difference import difference
from chainrun.processors.eq import Eq
from chainrun.processors.saturate import Saturate
from chainrun.report.compared import verify_page
from chainrun.report.content import (
    MAX_POINTS,
    TIME,
    Axis,
    DataTable,
    Figure,
    Page,
    Panel,
    Section,
    Series,
    Text,
    figure_table,
    highest,
)
from chainrun.report.draw import svg
from chainrun.report.page import PagePlace, write_page
from chainrun.report.players import matched_gains
from chainrun.report.steps import curve, harmonics, response, response_figure
from tests.report.reader import Reader
from tests.signals import RATE

HOSTILE = [
    "<script>alert(1)</script>",
    "\x1b[31mred\x1b[0m\x07",
    "right \u202eto left\u202c",
    "x" * 300,
    "emoji \U0001f941 & \"quotes\" 'and' $math_{x}$ {{ 7 * 7 }}",
]


# -- figures show the measured numbers ---------------------------------------------------------------------------------


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
    row = page.tables["Measurements of the delivered files"][1]
    measured = ran.json["deliveries"][0]["measured"]
    assert row[:2] == ["mix.wav", f"{measured['integrated_lufs']:.1f}"]
    assert float(row[3]) == pytest.approx(measured["true_peak_dbtp"], abs=0.006)
    reading = ran.json["nodes"]["kick"]["readings"][0]
    drawn = np.array(
        [[float(cell) for cell in row] for row in page.tables["kick, door: whole session: gain reduction, dB"][1:]]
    )
    reduction = np.array(reading["curve_max_db"])
    step = -(-reduction.size // MAX_POINTS)
    wanted = [reduction[at : at + step].max() for at in range(0, reduction.size, step)]
    assert np.allclose(drawn[:, 1], wanted, atol=0.006)
    x, _ = soundfile.read("kick.wav")
    wave = np.array(
        [[float(cell) for cell in row] for row in page.tables["kick, door: whole session: sample value, FS"][1:]]
    )
    assert wave[:, 2].max() == pytest.approx(x.max(), rel=1e-4)
    bands = dict(page.tables["Third octaves of the mix: level, dBFS"][1:])
    assert float(bands["1000"]) == pytest.approx(measured["third_octave_db"]["1000"], abs=0.3)
    ways = page.tables["All connections"][1:]
    assert ["pair", "hall", "send", "-12.0"] in ways and ["kick", "under", "key", "-"] in ways
    words = {row[0]: row for row in page.tables["Chain of kick"][1:]}
    assert words["door"][2].startswith("opens at -30 dBFS") and words["door"][3] == "keeps the bleed out"
    for tag, attrs in page.tags:
        if tag == "img":
            assert attrs["alt"] and (Path("page") / attrs["src"]).is_file()
    facts = Path("page/index.html").read_text()
    assert ran.json["recipe_hash"] in facts and ran.json["deliveries"][0]["pcm_sha256"] in facts


def test_figures_are_reproducible_and_their_tables_are_what_is_drawn():
    x = np.linspace(0.0, 10.0, 200)
    panel = Panel(Axis("level", "dB"), [Series("a", x, np.sin(x)), Series("b", x, np.cos(x))])
    figure = Figure("f", "A figure", "alt", TIME, [panel])
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
def test_a_strangers_title_is_harmless(session, chainrun, text):
    quoted = json.dumps(text, ensure_ascii=False)
    path = session.write(
        f'grammar = 1\ntitle = {quoted}\nnote = {quoted}\n[stems.kick]\nfile = "kick.wav"\nnote = {quoted}\n'
        f'chain = [ {{ do = "gain", name = {json.dumps(text[:60].replace(".", ""), ensure_ascii=False)}, note = {quoted} }} ]\n'
    )
    ran = chainrun("render", path, "-o", "out", "--report", "page.html")
    assert ran.code == 0, ran.err
    page = Path("page.html").read_text()
    scripts = re.findall(r"<script>(.*?)</script>", page, flags=re.S)
    assert len(scripts) == 1 and "alert" not in scripts[0]
    assert not set("\x1b\x07\u202e\u202c") & set(page + ran.out + ran.err)
    assert ("49" not in Reader(page).tags[4][1].get("content", "") and "{{ 7 * 7 }}" in page) or "7 * 7" not in text
    assert chainrun("pack", path, "--write", "x.zip", "--no-licence").code == 0
    with zipfile.ZipFile("x.zip") as file:
        assert all(re.fullmatch(r"[A-Za-z0-9._/-]+", name) for name in file.namelist())
    assert chainrun("check", "x.zip").code == 0


def test_a_page_of_hostile_words_everywhere(tmp_path):
    rows = [[text] * 3 for text in HOSTILE]
    blocks = [Text(text) for text in HOSTILE] + [DataTable(["a", "b", "c"], rows, HOSTILE[0])]
    x = np.arange(3.0)
    figure = Figure(
        "f",
        HOSTILE[4],
        HOSTILE[0],
        Axis(HOSTILE[2]),
        [Panel(Axis(HOSTILE[4], HOSTILE[1]), [Series(text, x, x) for text in HOSTILE])],
    )
    page = Page(
        HOSTILE[0],
        HOSTILE[1],
        [Section(text, blocks) for text in HOSTILE] + [Section("f", [figure])],
        [(HOSTILE[0], HOSTILE[1])],
    )
    text = write_page(page, PagePlace.of(tmp_path / "page")).read_text()
    assert "<script>alert" not in text and "\x1b" not in text
    ids = re.findall(r'id="([^"]+)"', text)
    assert len(ids) == len(set(ids))


def test_one_file_can_hold_everything(song, chainrun, tmp_path):
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
    Path("other.recipe.toml").write_text(Path(song).read_text())
    assert chainrun("render", song, "other.recipe.toml", "-o", "out", "--report", "x").code == 2
    Path("taken").write_text("")
    assert chainrun("render", song, "-o", "out", "--report", "taken").code == 2


def test_without_the_extra_the_error_says_how_to_get_it(song, chainrun, monkeypatch):
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
    files = [attrs["src"] for tag, attrs in Reader(text).tags if tag == "source" and "src" in attrs]
    a, b = (soundfile.read(Path("c") / name)[0] for name in files if name.endswith(".flac"))
    found = difference(Path("c") / files[0], Path("c") / files[2], match=False)
    assert abs(found.one.measured.integrated_lufs - found.other.measured.integrated_lufs) < 0.05
    assert max(np.abs(a).max(), np.abs(b).max()) <= 10 ** (-0.9 / 20)
    assert chainrun("survey", song, "--report", "s.html").code == 0 and "All channels" in Path("s.html").read_text()
    Path("n.jobs.toml").write_text('grammar = 1\n[[job]]\nrecipes = ["song.recipe.toml"]\n')
    assert chainrun("batch", "n.jobs.toml", "--report", "b").code == 0
    assert Reader(Path("b/index.html").read_text()).tables["All jobs; click a head to sort"][1][:2] == ["song", "done"]
    assert verify_page([], []).about == "all 0 passed"


def test_matched_sounds_meet_at_a_level_without_clipping():
    assert matched_gains([(-30.0, -12.0), (-20.0, -0.5)]) == pytest.approx([9.5, -0.5])  # the second's peak is at -1
    assert matched_gains([(-40.0, -30.0), (-18.0, -6.0)]) == pytest.approx([20.0, -2.0])
    assert matched_gains([(-np.inf, -np.inf), (-30.0, -20.0)]) == [0.0, pytest.approx(10.0)]
