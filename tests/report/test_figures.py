"""Figures: legends are outside the axes, every drawing fits its page, and heads of tables carry their unit."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

import tests.report.reader  # noqa: F401  (skips where the extra is missing)
from chainrun.processors.eq import Eq
from chainrun.report import draw
from chainrun.report.content import FREQUENCY, TIME, Axis, Figure, Panel, Series, figure_table
from chainrun.report.draw import NARROW, WIDE, canvas, svg
from chainrun.report.page import numeric
from chainrun.report.steps import response_figure
from tests.signals import RATE

SIZES = {"wide": WIDE, "narrow": NARROW}
UNITS = ("dB", "dBFS", "dBTP", "LU", "LUFS", "s", "ms", "m", "samples", "Hz", "kHz", "%", "FS")
COUNTS = ("correlation", "checks", "clipped runs", "hits", "harmonic", "A", "B", "B minus A")
"""Heads of numbers without a unit; the rows of a comparison name theirs."""


def many_lines():
    x = np.linspace(1.0, 20.0, 240)
    names = ["short", "a name of some length", "x" * 80, *(f"bell {k} kHz -{k} dB" for k in range(6))]
    lines = [Series(name, x, np.full(x.size, 10.0)) for name in names]
    waves = [Series(name, x, -np.ones(x.size), np.ones(x.size)) for name in ("before", "after")]
    one = [Series("gain reduction", x, x)]
    panels = [
        Panel(Axis("level", "dB"), lines, levels=[("target -16 LUFS", 9.0), ("integrated -16.3 LUFS", 8.0)]),
        Panel(Axis("sample value"), waves, 0.7),
        Panel(Axis("gain reduction", "dB"), one, 0.9),
    ]
    return Figure("f", "t", "a", TIME, panels)


def eight_bands():
    bands = [{"kind": "bell", "freq_hz": 50 * 2**k, "gain_db": 6 if k % 2 else -6} for k in range(8)]
    return response_figure("f", "t", Eq.model_validate({"do": "eq", "bands": bands}), RATE)


def is_clear(drawn):
    """Whether each legend is inside the drawing, outside all axes, and apart from other legends and labels."""
    drawn.draw_without_rendering()
    legends = [one.get_legend().get_window_extent() for one in drawn.axes if one.get_legend() is not None]
    for k, legend in enumerate(legends):
        assert legend.width > 0 and legend.height > 0
        assert drawn.bbox.x0 <= legend.x0 and legend.x1 <= drawn.bbox.x1, "beside the drawing"
        assert drawn.bbox.y0 <= legend.y0 and legend.y1 <= drawn.bbox.y1, "over the drawing"
        for axes in drawn.axes:
            inside = axes.get_window_extent()
            assert legend.y0 >= inside.y1 or legend.y1 <= inside.y0, "on the curves"
            labels = axes.xaxis.get_tightbbox()
            assert labels is None or not legend.overlaps(labels), "on the labels"
        assert not any(legend.overlaps(other) for other in legends[:k])
    return len(legends)


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES)
@pytest.mark.parametrize("figure", [many_lines, eight_bands])
def test_legends_are_outside_the_axes(figure, size):
    assert is_clear(canvas(figure(), size)) == len([one for one in figure().panels if len(one.series) > 1])


def test_no_figure_of_a_page_has_its_legend_on_the_curves(song, chainrun, monkeypatch):
    drawn, draws = [], draw.canvas
    monkeypatch.setattr(draw, "canvas", lambda *given: drawn.append(draws(*given)) or drawn[-1])
    chainrun("verify", song, "--accept")
    assert chainrun("render", song, "-o", "out", "--report", "mix").code == 0
    assert chainrun("verify", song, "--set", "stems.pair.level_db=-3", "--report", "verify").code == 1
    assert chainrun("compare", song, "--variant", "dry", "--report", "compare").code == 0
    assert len(drawn) > 30
    assert sum(is_clear(one) for one in drawn) > 10


def test_a_drawing_is_as_wide_as_its_page_and_another_one_is_for_narrow_screens(song, chainrun):
    assert chainrun("render", song, "-o", "out", "--report", "mix").code == 0
    page = Path("mix/index.html").read_text()
    pairs = re.findall(r'<source media="\(max-width: 40rem\)" srcset="([^"]+)"><img src="([^"]+)"', page)
    assert len(pairs) > 5
    for narrow, wide in pairs:
        for name, size in ((narrow, NARROW), (wide, WIDE)):
            text = (Path("mix") / name).read_text()
            assert float(re.search(r'width="([\d.]+)pt"', text)[1]) == pytest.approx(72.0 * size.width_in, abs=0.01)
    # Letters of the legend, in CSS pixels, where the column is narrowest: a phone of 390 px, and a page of 641 px.
    for size, column in ((NARROW, 358.0), (WIDE, 641.0 - 32.0)):
        assert (size.font_pt - 1.0) / 72.0 * column / size.width_in >= 7.9
    assert "figure img{display:block;width:100%" in page


def test_names_in_drawings_keep_their_numbers():
    x = np.arange(3.0)
    figure = Figure(
        "f", "t", "a", FREQUENCY, [Panel(Axis("level", "dB"), [Series("take 1.23456", x, x), Series("b", x, x)])]
    )
    text = svg(figure)
    assert "take 1.23456" in text
    assert not re.search(r' (?:d|x|y)="[^"]*\d\.\d{3}', text)


def heads_of_numbers(text):
    return [re.sub(r"<[^>]+>", "", one).strip() for one in re.findall(r'<th scope="col" class="n">(.*?)</th>', text)]


def test_heads_of_numbers_carry_their_unit(song, chainrun):
    chainrun("verify", song, "--accept")
    Path("n.jobs.toml").write_text('grammar = 1\n[[job]]\nrecipes = ["song.recipe.toml"]\n')
    for command in (
        ("render", song, "-o", "out", "--report", "mix.html"),
        ("verify", song, "--set", "stems.pair.level_db=-3", "--report", "verify.html"),
        ("compare", song, "--variant", "dry", "--report", "compare.html"),
        ("survey", song, "--report", "survey.html"),
        ("batch", "n.jobs.toml", "--report", "batch.html"),
        ("walkthrough", song, "--write", "walk.html", "--stems", "kick"),
    ):
        assert chainrun(*command).code in (0, 1)
        (page,) = (one for one in command if str(one).endswith(".html"))
        heads = heads_of_numbers(Path(page).read_text())
        assert heads, page
        for head in heads:
            assert head in COUNTS or (head.split()[-1] in UNITS and len(head.split()) > 1), (page, head)


def test_columns_of_a_figures_table_carry_quantity_and_unit():
    x = np.arange(3.0)
    panel = Panel(Axis("loudness", "LUFS"), [Series("A", x, x), Series("B", x, x, x)])
    (table,) = figure_table(Figure("f", "t", "a", TIME, [panel]))
    assert table.head == ["time s", "A, loudness LUFS", "B, lower loudness LUFS", "B, upper loudness LUFS"]
    assert table.caption == "t: loudness, LUFS"
    assert numeric(table) == [False, True, True, True]
