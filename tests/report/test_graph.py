"""The signal flow has room for every name, and no connection passes through a box."""

from __future__ import annotations

import itertools
import re
from html import unescape

import numpy as np
import pytest

import tests.report.reader  # noqa: F401  (skips where the extra is missing)
from chainrun.plan import build_plan
from chainrun.recipe import open_recipe
from chainrun.report import graph

LONG = [
    *(f"microphone_{k:02d}_of_the_long_room"[:32] for k in range(9)),
    *(f"{letter}{k}" * 16 for k, letter in enumerate("MWmwQ")),
    "a-name-with-hyphens-and-an-end-x",
    "short",
    "kick",
    "sixty-four_letters_" + "x" * 45,
]
KEYS = {0: "kick", 5: "short", 9: "kick", 12: "voices", 15: "microphone_03_of_the_long_room"}
"""The name of a key by the number of the stem that listens."""
BUSES = ["drums_of_the_long_room_together_", "W" * 32, "hall_of_many_echoes_far_away_yes", "voices"]


@pytest.fixture
def crowded(session):
    """18 stems and 4 buses with long names, faders past a column, sends, and keys in all directions."""
    text = "grammar = 1\n"
    for k, name in enumerate(LONG):
        key = f', key = {{ from = ["{KEYS[k]}"] }}' if k in KEYS else ""
        text += f'[stems.{name}]\nfile = "kick.wav"\nto = "{[BUSES[0], BUSES[1], "main", BUSES[3]][k % 4]}"\n'
        text += f'sends = {{ {BUSES[2]} = -12 }}\nchain = [ {{ do = "compressor", threshold_dbfs = -30{key} }} ]\n'
    text += f'[buses.{BUSES[0]}]\n[buses.{BUSES[1]}]\nto = "{BUSES[0]}"\n[buses.{BUSES[2]}]\nto = "{BUSES[1]}"\n'
    text += (
        f'[buses.{BUSES[3]}]\nchain = [ {{ do = "compressor", threshold_dbfs = -30, key = {{ from = ["kick"] }} }} ]\n'
    )
    return session.write(text)


def plan_of(path):
    return build_plan(open_recipe(path), hash_file=None)


def points(path):
    """A path of M, C and H as points, 60 to a curve."""
    words = re.findall(r"([MCH])([^MCH]*)", path)
    at, found = np.zeros(2), []
    for word, numbers in words:
        values = [float(one) for one in re.findall(r"-?[\d.]+(?:e-?\d+)?", numbers)]
        if word == "M":
            at = np.array(values)
        elif word == "H":
            end = np.array([values[0], at[1]])
            found += [at + t * (end - at) for t in np.linspace(0, 1, 60)]
            at = end
        else:
            a, b, c = (np.array(values[k : k + 2]) for k in (0, 2, 4))
            found += [
                (1 - t) ** 3 * at + 3 * (1 - t) ** 2 * t * a + 3 * (1 - t) * t**2 * b + t**3 * c
                for t in np.linspace(0, 1, 60)
            ]
            at = c
    return np.array(found)


def test_names_are_whole_and_inside_their_boxes_which_do_not_overlap(crowded):
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    plan = plan_of(crowded)
    boxes, width, _ = graph.layout(plan)
    assert set(boxes) == {*LONG, *BUSES, "main"}
    font = FontProperties(family="DejaVu Sans")  # the widest of the usual fonts
    for name, box in boxes.items():
        assert "".join(box.lines) == name
        for line in box.lines:
            extents = TextPath((0, 0), line, size=graph.NAME_PX, prop=font).get_extents()
            assert extents.width <= box.width - 1.5 * graph.PADDING, line
        assert box.height >= graph.LINE_H * len(box.lines) + graph.SMALL_PX
        assert box.x > 0 and box.right < width
    for one, other in itertools.combinations(boxes.values(), 2):
        beside = one.right < other.x or other.right < one.x
        assert beside or one.y + one.height < other.y or other.y + other.height < one.y
    texts = re.findall(r"<text y=[^>]*>(.*?)</text>", graph.picture(plan).svg)
    assert {unescape(re.sub(r"<[^>]+>", "", one)) for one in texts} == set(boxes)


def test_no_connection_passes_through_the_box_of_another(crowded):
    plan = plan_of(crowded)
    boxes, _, _ = graph.layout(plan)
    drawn = re.findall(r'<path d="(M[^"]+)" fill="none"', graph.picture(plan).svg)
    connections = graph.edges(plan)
    assert len(drawn) == len(connections) and {one.kind for one in connections} == {"fader", "send", "key"}
    for path, edge in zip(drawn, connections, strict=True):
        x, y = points(path).T
        assert x.min() >= 0
        for name, box in boxes.items():
            inside = (x > box.x + 0.5) & (x < box.right - 0.5) & (y > box.y + 0.5) & (y < box.y + box.height - 0.5)
            assert not inside.any(), (edge, name)


def test_the_graph_has_every_node(song, session):
    plan = plan_of(song)
    drawn = graph.picture(plan)
    for node in plan.nodes:
        assert f">{node.name}<" in drawn.svg
    assert drawn.svg.count('<path d="M') == len(graph.edges(plan)) + len(graph.KINDS)
    assert [row[:3] for row in drawn.table.rows] == [[one.source, one.target, one.kind] for one in graph.edges(plan)]


def test_a_picture_is_as_wide_as_a_page_unless_it_has_many_columns(song, session):
    drawn = graph.picture(plan_of(song))
    assert float(re.search(r'width="([\d.]+)"', drawn.svg)[1]) == pytest.approx(graph.WIDTH)
    assert not drawn.broad
    chain = "".join(f'[buses.b{k}]\nto = "{f"b{k + 1}" if k < 8 else "main"}"\n' for k in range(9))
    many = session.write(f'grammar = 1\n[stems.kick]\nfile = "kick.wav"\nto = "b0"\n{chain}')
    assert graph.picture(plan_of(many)).broad
