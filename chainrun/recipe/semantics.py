"""What a model cannot see: names that refer to each other, and deliveries that must not collide.

Works on the located data and passes over what is not of the right type, so that these problems are told
together with those of the models.
"""

from __future__ import annotations

from collections.abc import Iterator
from os.path import normpath
from pathlib import PurePath
from typing import Any

from chainrun.errors import nearest, shown
from chainrun.recipe.problems import Problems
from chainrun.recipe.tables import Items, Place, Table

MAIN = "main"
ENDINGS = (".wav", ".flac", ".ogg", ".mp3")


def _nodes(table: Table, group: str) -> dict[str, Table]:
    found = table.get(group)
    if not isinstance(found, Table):
        return {}
    return {name: node for name, node in found.items() if isinstance(node, Table)}


def check_references(table: Table, problems: Problems, recipe: str, variant: str) -> None:
    """Tell every name that leads nowhere, and every name or file that is there twice."""
    stems, buses = _nodes(table, "stems"), _nodes(table, "buses")
    for name in stems:
        if name in buses:
            place = table["buses"].where[name]
            problems.add(place, "a stem has this name too: stems and buses share their names", given=shown(name))
        if name == MAIN:
            problems.add(table["stems"].where[name], "the name is taken by the last bus", given=shown(name))
    if MAIN in buses:
        place = table["buses"].where[MAIN]
        problems.add(place, "the name is taken by the last bus: write [main]", given=shown(MAIN))
    targets = [*buses, MAIN]
    fed: set[str] = set()
    for node in [*stems.values(), *buses.values()]:
        sends = node.get("sends")
        aims = [(node["to"], node.where["to"])] if isinstance(node.get("to"), str) else []
        if isinstance(sends, Table):
            aims += [(bus, sends.where[bus]) for bus in sends]
        for bus, place in aims:
            fed.add(bus)
            if bus not in targets:
                allowed, hint = ", ".join(targets), nearest(bus, targets)
                problems.add(place, "there is no such bus", given=shown(bus), allowed=allowed, hint=hint)
    for name in buses:
        if name not in fed:
            # A bus of the recipe may lie idle; one that an overlay brings and nobody feeds is a mistyped name.
            place = table["buses"].where[name]
            if place.file == table.place.file and place.path[:1] == ("buses",):
                problems.add(place, "nothing goes into this bus", severity="warning")
            else:
                known = [other for other in buses if other != name]
                problems.add(
                    place,
                    "the path matches nothing: the recipe has no such bus, and nothing goes into it",
                    given=shown(name),
                    allowed=", ".join(known) or "no bus",
                    hint=nearest(name, known),
                )
    for source, place in _key_sources(table, [*stems.values(), *buses.values(), table.get("main")]):
        known = [*stems, *buses]
        if source not in known:
            allowed, hint = ", ".join(known), nearest(source, known)
            problems.add(place, "there is no such stem or bus", given=shown(source), allowed=allowed, hint=hint)
    _check_deliveries(table, list(stems), list(buses), problems, recipe, variant)


def _key_sources(table: Table, nodes: list[Any]) -> Iterator[tuple[str, Place]]:
    for node in nodes:
        if isinstance(node, Table):
            key = node.get("key")
            sources = key.get("from") if isinstance(key, Table) else None
            if isinstance(sources, Items):
                for source, place in zip(sources, sources.where, strict=True):
                    if isinstance(source, str):
                        yield source, place
            yield from _key_sources(table, [value for name, value in node.items() if name != "key"])
        elif isinstance(node, Items):
            yield from _key_sources(table, list(node))


def delivered_nodes(what: str, stems: list[str], buses: list[str]) -> list[str]:
    """The nodes that `what` names; empty if it names nothing."""
    if what == MAIN:
        return [MAIN]
    group, _, name = what.partition(".")
    nodes = {"stems": stems, "buses": buses}.get(group, [])
    if name == "*":
        return list(nodes)
    return [name] if name in nodes else []


def _check_deliveries(
    table: Table, stems: list[str], buses: list[str], problems: Problems, recipe: str, variant: str
) -> None:
    seen: dict[str, int] = {}
    deliveries = table.get("deliver")
    for i, delivery in enumerate(deliveries if isinstance(deliveries, Items) else []):
        file = delivery.get("file") if isinstance(delivery, Table) else None
        if not isinstance(file, str):
            continue
        place = delivery.where["file"]
        path = PurePath(file)
        if path.suffix.lower() not in ENDINGS:
            problems.add(place, "the ending tells no known format", given=shown(file), allowed=", ".join(ENDINGS))
        if path.suffix.lower() == ".flac" and delivery.get("bits") == 32:
            problems.add(delivery.where["bits"], "FLAC holds integers", given="32", allowed="16, 24")
        if leads_out := path.is_absolute() or ".." in path.parts or "\\" in file or "\0" in file:
            problems.add(place, "a delivery stays inside the output folder", given=shown(file))
        if file_name(file, "", "", "") is None:
            known = "{recipe}, {variant}, {name}"
            problems.add(place, "this placeholder is not known", given=shown(file), allowed=known)
            continue
        for key in ("only", "without"):
            names = delivery.get(key)
            for k, name in enumerate(names if isinstance(names, Items) else []):
                if isinstance(name, str) and name not in (*stems, *buses):
                    known_names = [*stems, *buses]
                    problems.add(
                        names.where[k],
                        "there is no such stem or bus",
                        given=shown(name),
                        allowed=", ".join(known_names),
                        hint=nearest(name, known_names),
                    )
        what = delivery.get("what", MAIN)
        nodes = delivered_nodes(what, stems, buses) if isinstance(what, str) else []
        if isinstance(what, str) and not nodes:
            known_nodes = [MAIN, *(f"stems.{n}" for n in stems), *(f"buses.{n}" for n in buses)]
            problems.add(
                delivery.where["what"],
                "there is nothing of this name to deliver",
                given=shown(what),
                allowed='"main", "stems.NAME", "buses.NAME", "stems.*", "buses.*"',
                hint=nearest(what, known_nodes),
            )
        if isinstance(what, str) and what.endswith(".*") and "{name}" not in file:
            problems.add(place, "several nodes need {name} in the file's name", given=shown(file))
            continue
        for node in nodes:
            final = normpath(file_name(file, recipe, variant, node) or "").lower()
            if final.startswith("/") or PurePath(final).parts[:1] == ("..",):
                if not leads_out:
                    problems.add(place, "a delivery stays inside the output folder", given=shown(final))
                break
            if not PurePath(final).suffix:
                hint = "{variant} is empty where no variant is rendered" if "{variant}" in file else None
                problems.add(place, "the file has no name before its ending", given=shown(file), hint=hint)
                break
            sidecar = str(PurePath(final).with_suffix(".json")) if delivery.get("sidecar") is True else None
            for one in (final, sidecar):
                if one is not None and one in seen:
                    what = "same file" if one == final else "same sidecar"
                    problems.add(place, f"deliveries {seen[one]} and {i} write the {what}", given=shown(file))
                    break
                if one is not None:
                    seen[one] = i
            else:
                continue
            break


def file_name(pattern: str, recipe: str, variant: str, name: str) -> str | None:
    """A delivery's file name with {recipe}, {variant} and {name} filled in; None if something else stands in braces."""
    known = {"{recipe}": recipe, "{variant}": variant, "{name}": name}
    rest = pattern
    for mark in known:
        rest = rest.replace(mark, "")
    if "{" in rest or "}" in rest:
        return None
    for mark, value in known.items():
        pattern = pattern.replace(mark, value)
    return pattern
