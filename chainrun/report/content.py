"""The parts of a page as plain data, so that tests need no browser."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np

from chainrun.dsp.arrays import Array

MAX_POINTS = 240
"""Most points of a drawn line, and most rows of its table: more than a screen shows."""

Kind = Literal["plain", "note", "caution", "failure", "passed", "verdict"]
"""How a paragraph is set off: a note informs, a caution should worry, a failure is a missed check or target, or an
error. `passed` is a check that holds, `verdict` a result that is neither good nor bad."""


@dataclass(frozen=True)
class Text:
    """A paragraph."""

    text: str
    kind: Kind = "plain"


@dataclass(frozen=True)
class DataTable:
    """Rows under a head that names each column with its unit."""

    head: Sequence[str]
    rows: Sequence[Sequence[str]]
    caption: str
    plain: bool = False
    """All cells are numbers that the program wrote: the page writes them without marks, since there are many."""


@dataclass(frozen=True)
class Axis:
    """A quantity and its unit."""

    label: str
    unit: str = ""

    @property
    def text(self) -> str:
        """The label of a drawing: `loudness, LUFS`."""
        return f"{self.label}, {self.unit}" if self.unit else self.label

    @property
    def head(self) -> str:
        """The head of a column: `loudness LUFS`."""
        return f"{self.label} {self.unit}".rstrip()


TIME = Axis("time", "s")
FREQUENCY = Axis("frequency", "Hz")
SAMPLE = Axis("sample value", "FS")
"""In full scales."""


@dataclass(frozen=True)
class Series:
    """A line, an area between two lines, or bars. Points that are not finite are left out."""

    name: str
    x: Array
    y: Array
    y2: Array | None = None
    """The other side of an area."""
    bars: bool = False
    faint: bool = False


@dataclass(frozen=True)
class Panel:
    """Series over one vertical axis; panels of a figure share the horizontal one."""

    axis: Axis
    series: Sequence[Series]
    height: float = 1.0
    limits: tuple[float, float] | None = None
    levels: Sequence[tuple[str, float]] = ()
    """Horizontal lines with their names in the legend."""


@dataclass(frozen=True)
class Figure:
    """A drawing of measured numbers; its table has the same numbers."""

    name: str
    """Name of its file: letters, digits, hyphens and underscores."""
    title: str
    alt: str
    x: Axis
    panels: Sequence[Panel]
    log_hz: bool = False


@dataclass(frozen=True)
class Picture:
    """A finished drawing as SVG, with a table that says the same."""

    name: str
    title: str
    alt: str
    svg: str
    table: DataTable
    broad: bool = False
    """It is wider than a page, and scrolls sideways instead of shrinking."""


@dataclass(frozen=True)
class Player:
    """A sound to play: its files, the preferred one first, and a remark."""

    label: str
    files: Sequence[Path]
    about: str = ""


@dataclass(frozen=True)
class Players:
    """Sounds to compare by ear."""

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
    """Versions and hashes, shown at the foot."""


SIDES = ("lower", "upper")
"""The two sides of an area."""
HEADINGS: dict[Kind, str] = {"failure": "Failures", "caution": "Cautions", "note": "Notes"}


def listed(kind: Kind, texts: Iterable[str]) -> list[Section]:
    """A section of failures, of cautions or of notes; none where there are no texts."""
    blocks = [Text(one, kind) for one in texts]
    return [Section(HEADINGS[kind], blocks)] if blocks else []


def thinned(x: Array, y: Array, max_points: int = MAX_POINTS) -> tuple[Array, Array]:
    """Fewer points of a line: the mean of neighbours."""
    step = -(-x.size // max_points)
    if step <= 1:
        return x, y
    n = x.size // step * step
    return x[:n].reshape(-1, step).mean(axis=1), y[:n].reshape(-1, step).mean(axis=1)


def highest(x: Array, y: Array, max_points: int = MAX_POINTS) -> tuple[Array, Array]:
    """Fewer points of a line that has peaks: the maximum of neighbours, at the place of the first."""
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
            head, columns = [figure.x.head], [group[0].x]
            for one in group:
                name, quantity = "" if one.name == panel.axis.label else f"{one.name}, ", panel.axis.head
                head += [name + quantity] if one.y2 is None else [f"{name}{side} {quantity}" for side in SIDES]
                columns += [one.y] if one.y2 is None else [one.y, one.y2]
            rows = [[_number_text(value) for value in row] for row in zip(*columns, strict=True)]
            found.append(DataTable(head, rows, f"{figure.title}: {panel.axis.text}", plain=True))
    return found


def _number_text(value: float) -> str:
    return f"{value:.5g}" if np.isfinite(value) else "-"


def number(value: float | None, digits: int = 1) -> str:
    """A number for a table."""
    if value is None:
        return "-"
    return f"{value:.{digits}f}" if np.isfinite(value) else ("-inf" if value < 0 else "inf")
