"""Figures as SVG: reproducible, in colours that the page's light or dark scheme sets."""

from __future__ import annotations

import io
import math
import re
from dataclasses import dataclass
from typing import Any, cast

import numpy as np

from chainrun.report.content import Figure, Panel, Series
from chainrun.report.own_matplotlib import Axes, Canvas, mpl

INK, GRID, FILL = "#010101", "#020202", "#030303"
LINES = ("#040404", "#050505", "#060606", "#070707", "#080808", "#090909")
"""Stand for colours of the scheme; no other colour is drawn."""
LIGHT = ("#1d2228", "#d4d9de", "#ffffff", "#1b5e9b", "#a34a00", "#1d6b3c", "#7a3b8f", "#8c1d40", "#5a5a00")
DARK = ("#e7eaee", "#40474f", "#14181c", "#7fbcf5", "#ffb071", "#7fd39b", "#d8a5ea", "#ff9ab4", "#d8d573")
DASHES = ("-", (0, (6, 2)), (0, (2, 1.5)), (0, (6, 2, 2, 2)), (0, (10, 3)), (0, (4, 1, 1, 1, 1, 1)))
"""Lines differ by their dashes, too: not everybody sees the colours."""
LEVEL_DASHES = ((0, (4, 3)), (0, (1, 2)), (0, (8, 2, 1, 2)))
TICKS_HZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000)
STYLE: dict[str, object] = {
    "svg.hashsalt": "chainrun",
    "svg.fonttype": "none",
    "text.parse_math": False,
    "font.family": "sans-serif",
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.facecolor": "none",
    "figure.facecolor": "none",
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "grid.color": GRID,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "legend.frameon": False,
    "lines.linewidth": 1.4,
}


@dataclass(frozen=True)
class Size:
    """The measures of a drawing, in inches and points."""

    width_in: float
    panel_in: float
    """Height of a panel of height 1."""
    font_pt: float
    left_in: float

    @property
    def axes_in(self) -> float:
        """Width of the axes."""
        return self.width_in - self.left_in - RIGHT_IN

    @property
    def letter_in(self) -> float:
        """Width of a letter of the legend: the mean of DejaVu Sans, the widest of the usual fonts, and some more."""
        return 0.66 * (self.font_pt - 1.0) / 72.0

    @property
    def row_in(self) -> float:
        """Height of a row of the legend."""
        return 1.5 * (self.font_pt - 1.0) / 72.0


WIDE = Size(9.5, 2.0, 10.0, 0.9)
NARROW = Size(4.4, 1.7, 9.0, 0.8)
"""For screens under 40 rem: the page picks it."""
RIGHT_IN, TOP_IN, BOTTOM_IN, BETWEEN_IN = 0.2, 0.08, 0.55, 0.16
HANDLE_IN = 0.55
"""Line and spaces beside a name in the legend."""


def svg(figure: Figure, size: Size = WIDE) -> str:
    """The figure as an SVG document."""
    out = io.StringIO()
    with mpl.rc_context(cast(Any, STYLE | _fonts(size))):
        nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
        canvas(figure, size).savefig(out, format="svg", metadata=nothing)
    return schemed(out.getvalue())


def _fonts(size: Size) -> dict[str, object]:
    return {"font.size": size.font_pt, "legend.fontsize": size.font_pt - 1.0}


def canvas(figure: Figure, size: Size = WIDE) -> Canvas:
    """The figure, drawn: panels under each other, and over each one its legend, where no curve is."""
    with mpl.rc_context(cast(Any, STYLE | _fonts(size))):
        legends = [_legend_columns(panel, size) for panel in figure.panels]
        rows = [rows * size.row_in + (0.06 if rows else 0.0) for _, rows in legends]
        heights = [panel.height * size.panel_in for panel in figure.panels]
        gaps = BETWEEN_IN * (len(heights) - 1)
        tall = TOP_IN + sum(rows) + sum(heights) + gaps + BOTTOM_IN
        drawn = Canvas(figsize=(size.width_in, tall))
        top, first, last = tall - TOP_IN, None, None
        for panel, above, height, (columns, _) in zip(figure.panels, rows, heights, legends, strict=True):
            bottom = top - above - height
            box = (size.left_in / size.width_in, bottom / tall, size.axes_in / size.width_in, height / tall)
            last = drawn.add_axes(box, sharex=first)
            first = first or last
            _panel(last, panel, figure.log_hz, size, columns)
            if panel is not figure.panels[-1]:
                last.tick_params(labelbottom=False)
            top = bottom - BETWEEN_IN
        if last is not None:
            last.set_xlabel(plain(figure.x.text))
            if figure.log_hz:
                _hz_ticks(last)
        drawn.align_ylabels()
    return drawn


def _hz_ticks(axes: Axes) -> None:
    axes.set_xscale("log")
    shown = [hz for hz in TICKS_HZ if axes.get_xlim()[0] <= hz <= axes.get_xlim()[1]]
    axes.set_xticks(shown, [f"{hz // 1000}k" if hz >= 1000 else str(hz) for hz in shown])
    axes.minorticks_off()


def _legend_columns(panel: Panel, size: Size) -> tuple[int, int]:
    """Columns and rows of a panel's legend, by an estimate of the width of its names; no rows for no legend."""
    widths = [HANDLE_IN + size.letter_in * len(_named(name, size)) for name in _legend_names(panel)]
    for columns in range(len(widths), 1, -1):
        if sum(column.max() for column in np.array_split(widths, columns)) <= size.axes_in:
            return columns, math.ceil(len(widths) / columns)
    return 1, len(widths)


def _legend_names(panel: Panel) -> list[str]:
    """A single series needs no name: the axis has it."""
    series = [one.name for one in panel.series]
    return (series if len(series) > 1 or panel.levels else []) + [name for name, _ in panel.levels]


def _named(name: str, size: Size) -> str:
    """A name that fits into one column of the legend; the table has it whole."""
    fits, name = int((size.axes_in - HANDLE_IN) / size.letter_in), plain(name)
    return name if len(name) <= fits else f"{name[: fits - 3]}..."


def _panel(axes: Axes, panel: Panel, log_hz: bool, size: Size, columns: int) -> None:
    floor = panel.limits[0] if panel.limits is not None else 0.0
    for i, one in enumerate(panel.series):
        colour, dashes = LINES[i % len(LINES)], DASHES[i % len(DASHES)]
        name = _named(one.name, size)
        if one.bars:
            _bars(axes, one, colour, name=name, log_hz=log_hz, floor=floor)
        elif one.y2 is not None:
            axes.fill_between(one.x, one.y, one.y2, color=colour, alpha=0.35 if one.faint else 0.8, lw=0, label=name)
        else:
            kept = np.isfinite(one.y)
            alpha, order = (0.6, 2.0) if one.faint else (1.0, 2.2)
            axes.plot(
                one.x[kept], one.y[kept], color=colour, alpha=alpha, ls=cast(Any, dashes), label=name, zorder=order
            )
    for i, (name, level) in enumerate(panel.levels):
        dashes = cast(Any, LEVEL_DASHES[i % len(LEVEL_DASHES)])
        axes.axhline(level, color=INK, lw=0.9, ls=dashes, label=_named(name, size))
    axes.set_ylabel(plain(panel.axis.text))
    if panel.limits is not None:
        axes.set_ylim(*panel.limits)
    if _legend_names(panel):
        axes.legend(
            loc="lower left",
            bbox_to_anchor=(0.0, 1.0),
            ncols=columns,
            borderaxespad=0.2,
            borderpad=0.1,
            labelspacing=0.25,
            columnspacing=1.5,
            handlelength=2.2,
        )
    axes.margins(x=0.01)


def _bars(axes: Axes, one: Series, colour: str, *, name: str, log_hz: bool, floor: float) -> None:
    """Bars of levels stand on the panel's lower limit."""
    kept = np.isfinite(one.y)
    x, y = one.x[kept], one.y[kept]
    width = x * 0.2 if log_hz else np.full(x.size, 0.8 * (float(np.diff(one.x).min()) if one.x.size > 1 else 1.0))
    axes.bar(x, y - floor, width=width, bottom=floor, color=colour, label=name)


def plain(text: str) -> str:
    """Words for a drawing: a character that its fonts may lack becomes a question mark."""
    return "".join(one if 32 <= ord(one) < 127 else "?" for one in text)[:80]


def _rounded(coordinates: re.Match[str]) -> str:
    """Coordinates in hundredths of a point: the rest is too small to be seen, and half of the file."""
    return re.sub(r"\d+\.\d{3,}", lambda found: f"{float(found[0]):.2f}", coordinates[0])


def schemed(text: str) -> str:
    """Placeholders as colours of the scheme, which is set in the drawing itself: an image inherits none."""
    names = ("ink", "grid", "face", "a", "b", "c", "d", "e", "f")
    for name, stand_in in zip(names, (INK, GRID, FILL, *LINES), strict=True):
        text = text.replace(stand_in, f"var(--{name})")
    light, dark = (
        ";".join(f"--{name}:{colour}" for name, colour in zip(names, scheme, strict=True)) for scheme in (LIGHT, DARK)
    )
    style = f"<style>svg{{{light}}}@media screen and (prefers-color-scheme:dark){{svg{{{dark}}}}}</style>"
    text = re.sub(r"<\?xml.*?\?>\s*|<!DOCTYPE.*?>\s*|<metadata>.*?</metadata>\s*", "", text, flags=re.S)
    text = re.sub(r' (?:d|x|y)="[^"]*"', _rounded, text)
    return re.sub(r"(<svg[^>]*>)", lambda found: found[1] + style, text, count=1, flags=re.S)
