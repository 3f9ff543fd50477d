"""Checks, without rendering, that the nodes, steps, quantities and deliveries in [expect] exist."""

from __future__ import annotations

from pathlib import PurePath

from chainrun.contract.readings import QUANTITIES
from chainrun.errors import Problem, nearest
from chainrun.measured import READINGS
from chainrun.problem_codes import Code
from chainrun.recipe.load import Opened
from chainrun.recipe.semantics import delivered_nodes, file_name
from chainrun.recipe.tables import place_of


def expectation_problems(opened: Opened) -> list[Problem]:
    """Problem for each entry of [expect] about something that does not exist."""
    found = []
    for path, expected in opened.recipe.expect.items():
        refusal = _refusal(opened, path) or _of_delivery(opened, expected.delivery)
        if refusal is not None:
            place = place_of(opened.table, ("expect", path))
            problem = Problem(refusal[0], hint=refusal[1], code=Code.EXPECTATION_OF_NOTHING)
            found.append(opened.problems.at(place, problem))
    return found


def _refusal(opened: Opened, path: str) -> tuple[str, str | None] | None:
    node, _, quantity = path.rpartition(".")
    if quantity not in (*READINGS, *QUANTITIES):
        return f"{quantity!r} is not measured", nearest(quantity, [*READINGS, *QUANTITIES])
    if not node:
        if quantity in QUANTITIES:
            return f"{quantity} belongs to a step: write its path before it", "buses.kit.chain.0." + quantity
        return None
    tokens = node.split(".")
    table = tokens[0]
    names: dict[str, list[str]] = {"stems": [*opened.recipe.stems], "buses": [*opened.recipe.buses], "main": []}
    if table not in names:
        return f"there is nothing called {table!r}", nearest(table, names)
    if table != "main" and (len(tokens) < 2 or tokens[1] not in names[table]):
        given = tokens[1] if len(tokens) > 1 else ""
        return f"there is no node {given!r}", nearest(given, names[table])
    head = tokens[:1] if table == "main" else tokens[:2]
    rest = ".".join(tokens[len(head) :])
    if quantity not in QUANTITIES:
        return (f"{quantity} belongs to a node or a delivery, not to a step", None) if rest else None
    addresses = opened.addresses(*head)
    known = [named for _, named in addresses]
    ways = [f"{one}." for both in addresses for one in both]
    if not any(way.startswith(f"{rest}.") or f"{rest}.".startswith(way) for way in ways):
        return f"no such step in {'.'.join(head)}", nearest(rest, known) or f"there are {', '.join(known) or 'none'}"
    return None


def _of_delivery(opened: Opened, wanted: str | None) -> tuple[str, str | None] | None:
    if wanted is None:
        return None
    recipe, names = opened.recipe, []
    for one in recipe.deliver:
        for node in delivered_nodes(one.what, list(recipe.stems), list(recipe.buses)):
            names.append(PurePath(file_name(one.file, opened.name, opened.variant or "", node) or one.file).name)
    if wanted in names:
        return None
    return f"no delivery is called {wanted}", nearest(wanted, names) or f"there are {', '.join(names)}"
