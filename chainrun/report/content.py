"""What a page is made of: plain data, so that pages can be tested without a browser."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np

from chainrun.dsp.arrays import Array

MAX_POINTS = 240
"""Of a drawn line, and rows of its table: more than a screen shows."""


@dataclass(frozen=True)
class Text:
    """A paragraph; `kind` says how it is set off."""

    text: str
    kind: Literal["plain", "note", "warning", "verdict"] = "plain"


@dataclass(frozen=True)
class DataTable:
    """Rows under a head; cells that read as figures stand to the right."""

    head: Sequence[str]
    rows: Sequence[Sequence[str]]
    caption: str
    left: int = 1
    """Columns of words at the left."""
    plain: bool = False
    """Whether all cells are figures of ours: they are written without ado, since there are many."""


@dataclass(frozen=True)
class Series:
    """A line, an area between two lines, or bars. Points that are not finite are left out."""

    name: str
    x: Array
    y: Array
    y2: Array | None = None
    """Of an area: its other side."""
    bars: bool = False
    faint: bool = False


@dataclass(frozen=True)
class Panel:
    """Series over one vertical axis; panels of a figure share the horizontal one."""

    label: str
    series: Sequence[Series]
    height: float = 1.0
    limits: tuple[float, float] | None = None
    levels: Sequence[tuple[str, float]] = ()
    """Named horizontal lines."""


@dataclass(frozen=True)
class Figure:
    """A drawing of measured figures; its table has the same numbers."""

    name: str
    """Of its file: letters, digits and hyphens."""
    title: str
    alt: str
    x_label: str
    panels: Sequence[Panel]
    log_hz: bool = False


@dataclass(frozen=True)
class Picture:
    """A drawing that is there already, as SVG, with a table that says the same."""

    name: str
    title: str
    alt: str
    svg: str
    table: DataTable


@dataclass(frozen=True)
class Player:
    """One sound: its files, the preferred one first, and what it is."""

    label: str
    files: Sequence[Path]
    about: str = ""


@dataclass(frozen=True)
class Players:
    """Sounds to be heard against each other."""

    title: str
    players: Sequence[Player]


Block = Text | DataTable | Figure | Picture | Players


@dataclass(frozen=True)
class Section:
    """A heading with blocks, and sections inside it."""

    title: str
    blocks: Sequence[Block] = ()
    inner: Sequence[Section] = ()


@dataclass(frozen=True)
class Page:
    """A whole page."""

    title: str
    about: str
    sections: Sequence[Section]
    facts: Sequence[tuple[str, str]] = field(default=())
    """Versions and hashes, at its foot."""


def thinned(x: Array, y: Array, max_points: int = MAX_POINTS) -> tuple[Array, Array]:
    """Fewer points of a line: the mean of neighbours."""
    step = -(-x.size // max_points)
    if step <= 1:
        return x, y
    n = x.size // step * step
    return x[:n].reshape(-1, step).mean(axis=1), y[:n].reshape(-1, step).mean(axis=1)


def highest(x: Array, y: Array, max_points: int = MAX_POINTS) -> tuple[Array, Array]:
    """Fewer points of a line that has peaks: the highest of neighbours, at the first one's place."""
    step = -(-x.size // max_points)
    if step <= 1:
        return x, y
    rest = np.full(-y.size % step, -np.inf)
    return x[::step], np.concatenate([y, rest]).reshape(-1, step).max(axis=1)


def figure_table(figure: Figure) -> list[DataTable]:
    """The numbers of a figure, a table for each panel."""
    found = []
    for panel in figure.panels:
        if not panel.series:
            continue
        x = panel.series[0].x
        same = all(one.x.shape == x.shape and bool(np.array_equal(one.x, x)) for one in panel.series)
        groups = [list(panel.series)] if same else [[one] for one in panel.series]
        for group in groups:
            head, columns = [figure.x_label], [group[0].x]
            for one in group:
                head += [one.name] if one.y2 is None else [f"{one.name}, lower", f"{one.name}, upper"]
                columns += [one.y] if one.y2 is None else [one.y, one.y2]
            rows = [[_figure_text(value) for value in row] for row in zip(*columns, strict=True)]
            found.append(DataTable(head, rows, f"{figure.title}: {panel.label}", plain=True))
    return found


def _figure_text(value: float) -> str:
    return f"{value:.5g}" if np.isfinite(value) else "-"


def number(value: float | None, digits: int = 1) -> str:
    """A figure for a table."""
    if value is None:
        return "-"
    return f"{value:.{digits}f}" if np.isfinite(value) else ("-inf" if value < 0 else "inf")
