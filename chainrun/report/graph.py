"""The signal flow as a picture: stems, buses, sends and keys, drawn in columns from left to right."""

from __future__ import annotations

from dataclasses import dataclass
from xml.sax.saxutils import escape

from chainrun.plan import Plan
from chainrun.report.content import DataTable, Picture
from chainrun.report.draw import FILL, INK, LINES, plain, schemed

WIDTH = 1000.0
"""The columns are spread over this width; more columns than fit make the drawing wider."""
MIN_GAP_X, GAP_Y = 76.0, 10.0
MARGIN = 44.0
"""At the left: keys bend out there."""
NAME_PX, SMALL_PX, LINE_H = 13.0, 10.5, 16.0
PADDING = 8.0
MIN_BOX_W = 90.0
MAX_LETTERS = 20
"""Longer names go on in the next line."""
LANE = 6.0
KINDS = {"fader": (LINES[0], ""), "send": (LINES[1], "6 3"), "key": (LINES[2], "2 3")}
EM_NARROW, EM_CAPITAL, EM_BROAD, EM_OTHER = 0.42, 0.8, 1.0, 0.66
"""Widths of letters in heights of the font, at least those of DejaVu Sans, the widest of the usual fonts."""


@dataclass(frozen=True)
class Edge:
    """A connection from one node into another."""

    source: str
    target: str
    kind: str
    """`fader`, `send` or `key`."""
    level_db: float | None
    """None for a key, and for a muted connection."""

    @property
    def level_text(self) -> str:
        """Its level for a table, in dB."""
        if self.kind == "key":
            return "-"
        return "mute" if self.level_db is None else f"{self.level_db:+.1f}"


@dataclass(frozen=True)
class NodeBox:
    """A node's place in the drawing, in pixels, and the lines of its name."""

    x: float
    y: float
    width: float
    height: float
    lines: tuple[str, ...]

    @property
    def right(self) -> float:
        """Place of its right side."""
        return self.x + self.width

    @property
    def middle(self) -> float:
        """Height at which connections begin and end."""
        return self.y + self.height / 2.0


def edges(plan: Plan) -> list[Edge]:
    """All connections of a plan."""
    found = []
    for node in plan.nodes:
        for one in node.inputs:
            kind = "send" if one.send_db is not None else "fader"
            level = one.send_db if one.send_db is not None else one.level_db
            found.append(Edge(one.node, node.name, kind, None if one.mute else level))
        for _, sources in node.keys:
            found += [Edge(source.node, node.name, "key", None) for source in sources]
    return found


def text_width(text: str, size_px: float) -> float:
    """An upper estimate of the width of a text, in pixels."""
    ems = 0.0
    for one in text:
        narrow, broad = one in "fijlrtI.,:;'|()[]! -", one in "mwMWOQ@%&"
        ems += EM_NARROW if narrow else EM_BROAD if broad else EM_CAPITAL if one.isupper() else EM_OTHER
    return ems * size_px


def wrapped(name: str) -> tuple[str, ...]:
    """A name in lines of at most MAX_LETTERS, broken after a hyphen or underscore where there is one."""
    lines = []
    while len(name) > MAX_LETTERS:
        cut = max(name.rfind(mark, 0, MAX_LETTERS) for mark in "_-") + 1
        cut = cut if cut > MAX_LETTERS // 2 else MAX_LETTERS
        lines.append(name[:cut])
        name = name[cut:]
    return (*lines, name)


def _columns(plan: Plan, connections: list[Edge]) -> dict[str, int]:
    """The column of each node: stems are in the first, a bus is right of all that goes into it."""
    column = {node.name: 0 for node in plan.nodes}
    for node in plan.nodes:
        if node.kind != "stem":
            inputs = [column[edge.source] for edge in connections if edge.target == node.name and edge.kind != "key"]
            column[node.name] = 1 + max(inputs, default=0)
    column["main"] = max(column.values())
    return column


def layout(plan: Plan) -> tuple[dict[str, NodeBox], float, float]:
    """The box of each node, and width and height of the drawing without its lanes."""
    column = _columns(plan, edges(plan))
    members = [[name for name in column if column[name] == c] for c in range(max(column.values()) + 1)]
    lines = {name: wrapped(plain(name)) for name in column}
    small = text_width("128 steps", SMALL_PX)
    widths = [
        max(MIN_BOX_W, *(max(small, *(text_width(one, NAME_PX) for one in lines[name])) for name in names))
        + 2.0 * PADDING
        for names in members
    ]
    heights = {name: LINE_H * len(one) + 20.0 for name, one in lines.items()}
    tall = max(sum(heights[name] + GAP_Y for name in names) for names in members) + GAP_Y
    n_gaps = len(members) - 1
    gap = max(MIN_GAP_X, (WIDTH - MARGIN - GAP_Y - sum(widths)) / n_gaps) if n_gaps else 0.0
    boxes: dict[str, NodeBox] = {}
    x = MARGIN
    for names, width in zip(members, widths, strict=True):
        y = (tall - sum(heights[name] + GAP_Y for name in names) + GAP_Y) / 2.0
        for name in names:
            boxes[name] = NodeBox(x, y, width, heights[name], lines[name])
            y += heights[name] + GAP_Y
        x += width + gap
    return boxes, x - gap + GAP_Y, tall


def picture(plan: Plan) -> Picture:
    """The plan as a drawing, with a table of its connections."""
    connections = edges(plan)
    column = _columns(plan, connections)
    boxes, width, height = layout(plan)
    lanes = [edge for edge in connections if abs(column[edge.target] - column[edge.source]) > 1]
    parts = []
    for edge in connections:
        lane = height + LANE * (lanes.index(edge) + 1) if edge in lanes else None
        parts.append(_line(edge, boxes[edge.source], boxes[edge.target], lane))
    height += LANE * len(lanes)
    parts += _boxes(plan, connections, boxes)
    parts += [_legend(i, height + 16.0, kind) for i, kind in enumerate(KINDS)]
    drawn = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height + 28:g}" width="{width:g}" '
        f'height="{height + 28:g}" font-family="sans-serif">{"".join(parts)}</svg>'
    )
    table = DataTable(
        ["from", "to", "as", "level in the sum dB"],
        [[one.source, one.target, one.kind, one.level_text] for one in connections],
        "All connections",
    )
    n_stems, n_buses = (sum(node.kind == kind for node in plan.nodes) for kind in ("stem", "bus"))
    alt = f"Signal flow of {_counted(n_stems, 'stem', 'stems')} through {_counted(n_buses, 'bus', 'buses')} into main"
    return Picture("graph", "Stems, buses, sends and keys", alt, schemed(drawn), table, width > 1.1 * WIDTH)


def _counted(n: int, one: str, many: str) -> str:
    return f"{n} {one if n == 1 else many}"


def _boxes(plan: Plan, connections: list[Edge], boxes: dict[str, NodeBox]) -> list[str]:
    heard = {one.source for one in connections if one.kind != "key"}
    parts = []
    for node in plan.nodes:
        box = boxes[node.name]
        n_steps = len([step for step in node.chain if not step.bypass])
        words = _counted(n_steps, "step", "steps") if n_steps else "no steps"
        if node.kind == "stem" and node.name not in heard:
            words = "mute"
        parts.append(
            f'<rect x="{box.x:g}" y="{box.y:g}" width="{box.width:g}" height="{box.height:g}" rx="5" '
            f'fill="{FILL}" stroke="{INK}"/>'
        )
        lines = [f'<tspan x="{box.x + PADDING:g}" dy="{LINE_H:g}">{escape(one)}</tspan>' for one in box.lines]
        parts.append(f'<text y="{box.y:g}" font-size="{NAME_PX:g}" fill="{INK}">{"".join(lines)}</text>')
        parts.append(
            f'<text x="{box.x + PADDING:g}" y="{box.y + box.height - 7:g}" font-size="{SMALL_PX:g}" '
            f'fill="{INK}">{words}</text>'
        )
    return parts


def _line(edge: Edge, source: NodeBox, target: NodeBox, lane: float | None) -> str:
    """A connection; one that passes other columns goes by a lane under all boxes."""
    colour, dashes = KINDS[edge.kind]
    a, b = source.middle, target.middle
    back = source.x >= target.x  # keys alone go back, or stay in their column
    begin = source.x if back else source.right
    end = target.right if source.x > target.x else target.x
    if lane is not None:
        turn = -1.0 if back else 1.0
        out, into = begin + 30.0 * turn, end - 30.0 * turn
        way = (
            f"M{begin:g} {a:g} C{out:g} {a:g} {begin + 12 * turn:g} {lane:g} {out + 8 * turn:g} {lane:g} "
            f"H{into - 8 * turn:g} C{end - 12 * turn:g} {lane:g} {into:g} {b:g} {end:g} {b:g}"
        )
    elif source.x == target.x:  # along the left side
        out = begin - min(MARGIN, 52.0) * 1.25
        way = f"M{begin:g} {a:g} C{out:g} {a:g} {out:g} {b:g} {end:g} {b:g}"
    else:
        half = (begin + end) / 2.0
        way = f"M{begin:g} {a:g} C{half:g} {a:g} {half:g} {b:g} {end:g} {b:g}"
    dash = f' stroke-dasharray="{dashes}"' if dashes else ""
    faint = ' opacity="0.35"' if edge.level_db is None and edge.kind != "key" else ""
    return f'<path d="{way}" fill="none" stroke="{colour}" stroke-width="1.4"{dash}{faint}/>'


def _legend(i: int, y: float, kind: str) -> str:
    colour, dashes = KINDS[kind]
    x = MARGIN + i * 100
    dash = f' stroke-dasharray="{dashes}"' if dashes else ""
    return (
        f'<path d="M{x:g} {y:g} h26" stroke="{colour}" stroke-width="1.6"{dash}/>'
        f'<text x="{x + 32:g}" y="{y + 4:g}" font-size="12" fill="{INK}">{kind}</text>'
    )
