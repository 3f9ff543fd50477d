"""Figures as SVG: reproducible, in colours that the page's light or dark scheme sets."""

from __future__ import annotations

import io
import re
from typing import Any, cast

import numpy as np

from chainrun.report.content import Figure, Panel, Series
from chainrun.report.own_matplotlib import Axes, Canvas, mpl

INK, GRID, FILL = "#010101", "#020202", "#030303"
LINES = ("#040404", "#050505", "#060606", "#070707", "#080808", "#090909")
"""Stand for colours of the scheme; no other colour is drawn."""
LIGHT = ("#1d2228", "#d4d9de", "#ffffff", "#1b5e9b", "#a34a00", "#1d6b3c", "#7a3b8f", "#8c1d40", "#5a5a00")
DARK = ("#e7eaee", "#40474f", "#14181c", "#7fbcf5", "#ffb071", "#7fd39b", "#d8a5ea", "#ff9ab4", "#d8d573")
WIDTH_IN = 7.2
TICKS_HZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000)
STYLE: dict[str, Any] = {
    "svg.hashsalt": "chainrun",
    "svg.fonttype": "none",
    "text.parse_math": False,
    "font.family": "sans-serif",
    "font.size": 9.0,
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
    "legend.fontsize": 8.0,
    "lines.linewidth": 1.3,
}


def svg(figure: Figure) -> str:
    """The figure as an SVG document."""
    heights = [panel.height for panel in figure.panels]
    with mpl.rc_context(cast(Any, STYLE)):
        tall = 0.75 + 1.75 * sum(heights)
        canvas = Canvas(figsize=(WIDTH_IN, tall))
        edges = {"left": 0.1, "right": 0.985, "bottom": 0.5 / tall, "top": 1.0 - 0.12 / tall, "hspace": 0.12}
        axes = canvas.subplots(len(heights), 1, sharex=True, squeeze=False, height_ratios=heights, gridspec_kw=edges)[
            :, 0
        ]
        for place, panel in zip(axes, figure.panels, strict=True):
            _panel(place, panel, figure.log_hz)
        axes[-1].set_xlabel(plain(figure.x_label))
        if figure.log_hz:
            axes[-1].set_xscale("log")
            shown = [hz for hz in TICKS_HZ if axes[-1].get_xlim()[0] <= hz <= axes[-1].get_xlim()[1]]
            axes[-1].set_xticks(shown, [f"{hz // 1000}k" if hz >= 1000 else str(hz) for hz in shown])
            axes[-1].minorticks_off()
        out = io.StringIO()
        nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
        canvas.savefig(out, format="svg", metadata=nothing)
    return schemed(out.getvalue())


def _panel(axes: Axes, panel: Panel, log_hz: bool) -> None:
    labelled = len(panel.series) > 1
    for i, one in enumerate(panel.series):
        colour = LINES[i % len(LINES)]
        name = plain(one.name) if labelled else None
        if one.bars:
            _bars(
                axes, one, colour, name=name, log_hz=log_hz, floor=panel.limits[0] if panel.limits is not None else 0.0
            )
        elif one.y2 is not None:
            axes.fill_between(one.x, one.y, one.y2, color=colour, alpha=0.35 if one.faint else 0.8, lw=0, label=name)
        else:
            kept = np.isfinite(one.y)
            axes.plot(one.x[kept], one.y[kept], color=colour, alpha=0.5 if one.faint else 1.0, label=name)
    for name, level in panel.levels:
        axes.axhline(level, color=INK, lw=0.8, ls="--")
        axes.annotate(plain(name), (1.0, level), xycoords=("axes fraction", "data"), ha="right", va="bottom", size=7.5)
    axes.set_ylabel(plain(panel.label))
    if panel.limits is not None:
        axes.set_ylim(*panel.limits)
    if labelled:
        axes.legend(loc="upper right", ncols=min(3, len(panel.series)))
    axes.margins(x=0.01)


def _bars(axes: Axes, one: Series, colour: str, *, name: str | None, log_hz: bool, floor: float) -> None:
    """Bars of levels stand on the panel's lower limit."""
    kept = np.isfinite(one.y)
    x, y = one.x[kept], one.y[kept]
    width = x * 0.2 if log_hz else np.full(x.size, 0.8 * (float(np.diff(one.x).min()) if one.x.size > 1 else 1.0))
    axes.bar(x, y - floor, width=width, bottom=floor, color=colour, label=name)


def plain(text: str) -> str:
    """Words for a drawing: what its fonts may lack becomes a question mark."""
    return "".join(one if 32 <= ord(one) < 127 else "?" for one in text)[:60]


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
    return re.sub(r"(<svg[^>]*>)", lambda found: found[1] + style, text, count=1, flags=re.S)
