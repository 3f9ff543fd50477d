"""The way of the sound as a picture: stems, buses, sends and keys, drawn in columns from left to right."""

from __future__ import annotations

from dataclasses import dataclass
from xml.sax.saxutils import escape

from chainrun.plan import Plan
from chainrun.report.content import DataTable, Picture
from chainrun.report.draw import FILL, INK, LINES, plain, schemed

BOX_W, BOX_H, GAP_X, GAP_Y = 128, 30, 92, 10
LANE = 6
MAX_LETTERS = 19
MARGIN = 34
"""At the left: keys bend out there."""
KINDS = {"fader": (LINES[0], "", ""), "send": (LINES[1], "6 3", "send"), "key": (LINES[2], "2 3", "key")}


@dataclass(frozen=True)
class Edge:
    """A way from one node into another."""

    source: str
    target: str
    kind: str
    """`fader`, `send` or `key`."""
    level_db: float | None


def short_level(edge: Edge) -> str:
    """A way's level for a table."""
    if edge.kind == "key":
        return "listened to"
    return "mute" if edge.level_db is None else f"{edge.level_db:+.1f} dB"


def edges(plan: Plan) -> list[Edge]:
    """Every way in a plan."""
    found = []
    for node in plan.nodes:
        for one in node.inputs:
            kind = "send" if one.send_db is not None else "fader"
            level = one.send_db if one.send_db is not None else one.level_db
            found.append(Edge(one.node, node.name, kind, None if one.mute else level))
        for _, sources in node.keys:
            found += [Edge(source.node, node.name, "key", None) for source in sources]
    return found


def _columns(plan: Plan, ways: list[Edge]) -> dict[str, int]:
    """Stems stand in the first column; a bus stands behind all that goes into it."""
    column = {node.name: 0 for node in plan.nodes}
    for node in plan.nodes:
        if node.kind != "stem":
            inputs = [column[edge.source] for edge in ways if edge.target == node.name and edge.kind != "key"]
            column[node.name] = 1 + max(inputs, default=0)
    column["main"] = max(column.values())
    return column


def picture(plan: Plan) -> Picture:
    """The plan as a drawing, with a table of its ways."""
    ways = edges(plan)
    column = _columns(plan, ways)
    place: dict[str, tuple[float, float]] = {}
    rows = max(sum(one == c for one in column.values()) for c in set(column.values()))
    height = rows * (BOX_H + GAP_Y) + GAP_Y
    for c in sorted(set(column.values())):
        names = [node.name for node in plan.nodes if column[node.name] == c]
        top = (height - len(names) * (BOX_H + GAP_Y) + GAP_Y) / 2
        for i, name in enumerate(names):
            place[name] = (MARGIN + c * (BOX_W + GAP_X), top + i * (BOX_H + GAP_Y))
    width = MARGIN + GAP_Y + (max(column.values()) + 1) * BOX_W + max(column.values()) * GAP_X
    lanes = [edge for edge in ways if edge.kind != "key" and column[edge.target] - column[edge.source] > 1]
    parts = [
        _round(edge, place, height + LANE * (lanes.index(edge) + 1)) if edge in lanes else _line(edge, place)
        for edge in ways
    ]
    height += LANE * len(lanes)
    sounding = {one.source for one in ways if one.kind != "key"}
    silent = {node.name for node in plan.nodes if node.kind == "stem" and node.name not in sounding}
    steps = {node.name: len([step for step in node.chain if not step.bypass]) for node in plan.nodes}
    for name, (x, y) in place.items():
        told = f"{steps[name]} step{'s' if steps[name] != 1 else ''}" if steps[name] else "no steps"
        told = "mute" if name in silent else told
        parts.append(
            f'<rect x="{x:g}" y="{y:g}" width="{BOX_W}" height="{BOX_H}" rx="5" fill="{FILL}" stroke="{INK}"/>'
            f'<text x="{x + 8:g}" y="{y + 13:g}" font-size="11" fill="{INK}">{escape(_short(plain(name)))}</text>'
            f'<text x="{x + 8:g}" y="{y + 25:g}" font-size="8.5" fill="{INK}">{told}</text>'
        )
    legend = [_legend(i, height + 14, kind) for i, kind in enumerate(("fader", "send", "key"))]
    drawn = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height + 24:g}" width="{width:g}" '
        f'height="{height + 24:g}" font-family="sans-serif">{"".join(parts + legend)}</svg>'
    )
    table = DataTable(
        ["from", "to", "as", "level"],
        [[one.source, one.target, one.kind, short_level(one)] for one in ways],
        "Every way of the sound",
        left=3,
    )
    n_buses = sum(node.kind == "bus" for node in plan.nodes)
    alt = f"{sum(node.kind == 'stem' for node in plan.nodes)} stems and {n_buses} buses on their way into main"
    return Picture("graph", "Stems, buses, sends and keys", alt, schemed(drawn), table)


def _line(edge: Edge, place: dict[str, tuple[float, float]]) -> str:
    colour, dashes, _ = KINDS[edge.kind]
    (x0, y0), (x1, y1) = place[edge.source], place[edge.target]
    if edge.kind == "key" and x0 == x1:  # along the left side
        a, b = y0 + BOX_H / 2, y1 + BOX_H / 2
        way = f"M{x0:g} {a:g} C{x0 - 40:g} {a:g} {x1 - 40:g} {b:g} {x1:g} {b:g}"
    else:
        a, b = y0 + BOX_H / 2, y1 + BOX_H / 2
        begin, bend = x0 + BOX_W, GAP_X * 0.5
        way = f"M{begin:g} {a:g} C{begin + bend:g} {a:g} {x1 - bend:g} {b:g} {x1:g} {b:g}"
    dash = f' stroke-dasharray="{dashes}"' if dashes else ""
    faint = ' opacity="0.35"' if edge.level_db is None and edge.kind != "key" else ""
    return f'<path d="{way}" fill="none" stroke="{colour}" stroke-width="1.4"{dash}{faint}/>'


def _short(name: str) -> str:
    return name if len(name) <= MAX_LETTERS else name[: MAX_LETTERS - 3] + "..."


def _round(edge: Edge, place: dict[str, tuple[float, float]], lane: float) -> str:
    """A way past the columns between, under all of their boxes."""
    colour, dashes, _ = KINDS[edge.kind]
    (x0, y0), (x1, y1) = place[edge.source], place[edge.target]
    a, b, begin = y0 + BOX_H / 2, y1 + BOX_H / 2, x0 + BOX_W
    turn = begin + GAP_X * 0.45
    back = x1 - GAP_X * 0.45
    down = f"M{begin:g} {a:g} C{turn:g} {a:g} {begin + 14:g} {lane:g} {turn + 20:g} {lane:g}"
    way = f"{down} H{back - 20:g} C{x1 - 14:g} {lane:g} {back:g} {b:g} {x1:g} {b:g}"
    dash = f' stroke-dasharray="{dashes}"' if dashes else ""
    faint = ' opacity="0.35"' if edge.level_db is None else ""
    return f'<path d="{way}" fill="none" stroke="{colour}" stroke-width="1.4"{dash}{faint}/>'


def _legend(i: int, y: float, kind: str) -> str:
    colour, dashes, _ = KINDS[kind]
    x = MARGIN + i * 90
    dash = f' stroke-dasharray="{dashes}"' if dashes else ""
    return (
        f'<path d="M{x} {y:g} h26" stroke="{colour}" stroke-width="1.6"{dash}/>'
        f'<text x="{x + 32}" y="{y + 4:g}" font-size="10" fill="{INK}">{kind}</text>'
    )
