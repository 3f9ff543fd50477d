"""Whether what [expect] speaks of can be there at all: nodes, steps, quantities, deliveries. Nothing is rendered."""

from __future__ import annotations

from pathlib import PurePath

from chainrun.errors import Problem, nearest
from chainrun.measured import READINGS
from chainrun.problem_codes import Code
from chainrun.recipe.load import Opened
from chainrun.recipe.semantics import delivered_nodes, file_name
from chainrun.recipe.tables import place_of

OF_A_STEP = ("gain_reduction_max_db", "gain_reduction_mean_db", "gain_reduction_working_pct")


def expectation_problems(opened: Opened) -> list[Problem]:
    """A problem for each entry of [expect] that is about nothing."""
    found = []
    for path, expected in opened.recipe.expect.items():
        refusal = _refusal(opened, path) or _of_delivery(opened, expected.delivery)
        if refusal is not None:
            place = place_of(opened.table, ("expect", path))
            told = Problem(refusal[0], hint=refusal[1], code=Code.EXPECTATION_OF_NOTHING)
            found.append(opened.problems.at(place, told))
    return found


def _refusal(opened: Opened, path: str) -> tuple[str, str | None] | None:
    node, _, quantity = path.rpartition(".")
    if quantity not in (*READINGS, *OF_A_STEP):
        return f"{quantity!r} is not measured", nearest(quantity, [*READINGS, *OF_A_STEP])
    if not node:
        if quantity in OF_A_STEP:
            return f"{quantity} is of a step: write its path before it", "buses.kit.chain.0." + quantity
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
    if quantity not in OF_A_STEP:
        return (f"{quantity} is of a node or a delivery, not of a step", None) if rest else None
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
