"""Checks that models cannot make: names that refer to each other, and deliveries that must not collide.

Works on located data and skips values of the wrong type, so that these problems are reported together with those of
the models.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from os.path import normpath
from pathlib import PurePath
from typing import Any

from chainrun.errors import nearest, shown
from chainrun.problem_codes import Code
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
    """Add a problem for each reference to an unknown name, and for each name or file that occurs twice."""
    stems, buses = _nodes(table, "stems"), _nodes(table, "buses")
    for name in stems:
        if name in buses:
            place = table["buses"].where[name]
            message = "a stem has this name, too: names of stems and buses must differ"
            problems.add(place, message, given=shown(name), code=Code.NAME_TAKEN)
        if name == MAIN:
            place = table["stems"].where[name]
            problems.add(place, "the name is reserved for the last bus", given=shown(name), code=Code.NAME_TAKEN)
    if MAIN in buses:
        place = table["buses"].where[MAIN]
        message = "the name is reserved for the last bus: write [main]"
        problems.add(place, message, given=shown(MAIN), code=Code.NAME_TAKEN)
    _check_aims(table, stems, buses, problems)
    for source, place in _key_sources(table, [*stems.values(), *buses.values(), table.get("main")]):
        _check_node(source, place, [*stems, *buses], problems)
    deliveries = _Deliveries(list(stems), list(buses), problems, recipe, variant)
    listed = table.get("deliver")
    for i, delivery in enumerate(listed if isinstance(listed, Items) else []):
        file = delivery.get("file") if isinstance(delivery, Table) else None
        if isinstance(file, str):
            deliveries.check(i, delivery, file)


def _check_aims(table: Table, stems: dict[str, Table], buses: dict[str, Table], problems: Problems) -> None:
    """Add a problem for each `to` and send to an unknown bus, and for each bus without input."""
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
                problems.add(
                    place, "there is no such bus", given=shown(bus), allowed=allowed, hint=hint, code=Code.UNKNOWN_BUS
                )
    for name in buses:
        if name not in fed:
            # A bus of the recipe may be idle; one from an overlay without input is a mistyped name.
            place = table["buses"].where[name]
            if place.file == table.place.file and place.path[:1] == ("buses",):
                problems.add(place, "this bus has no input", severity="warning", code=Code.IDLE_BUS)
            else:
                known = [other for other in buses if other != name]
                problems.add(
                    place,
                    "the path matches nothing: the recipe has no such bus",
                    given=shown(name),
                    allowed=", ".join(known) or "no bus",
                    hint=nearest(name, known),
                    code=Code.PATH_MATCHES_NOTHING,
                )


def _check_node(name: str, place: Place, known: list[str], problems: Problems) -> None:
    """Add a problem for a name of neither a stem nor a bus."""
    if name not in known:
        allowed, hint = ", ".join(known), nearest(name, known)
        message = "there is no such stem or bus"
        problems.add(place, message, given=shown(name), allowed=allowed, hint=hint, code=Code.UNKNOWN_NODE)


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
    """Nodes that `what` names; empty if there are none."""
    if what == MAIN:
        return [MAIN]
    group, _, name = what.partition(".")
    nodes = {"stems": stems, "buses": buses}.get(group, [])
    if name == "*":
        return list(nodes)
    return [name] if name in nodes else []


@dataclass(frozen=True)
class _Deliveries:
    """Checks the deliveries of a recipe one by one, and remembers the files they write."""

    stems: list[str]
    buses: list[str]
    problems: Problems
    recipe: str
    variant: str
    seen: dict[str, int] = field(default_factory=dict)
    """Number of the delivery that writes a file, by the file's name in lower case."""

    def check(self, i: int, delivery: Table, file: str) -> None:
        """Add the problems of delivery `i`, whose file name pattern is `file`."""
        place = delivery.where["file"]
        _check_format(delivery, file, self.problems)
        if leads_out := PurePath(file).is_absolute() or ".." in PurePath(file).parts or "\\" in file or "\0" in file:
            _report_way_out(place, file, self.problems)
        if file_name(file, "", "", "") is None:
            message, known = "there is no such placeholder", "{recipe}, {variant}, {name}"
            self.problems.add(place, message, given=shown(file), allowed=known, code=Code.DELIVERY_NAME)
            return
        self._check_sounding(delivery)
        nodes = self._nodes(delivery)
        what = delivery.get("what", MAIN)
        if isinstance(what, str) and what.endswith(".*") and "{name}" not in file:
            message = "a delivery of several nodes needs {name} in its file name"
            self.problems.add(place, message, given=shown(file), code=Code.DELIVERY_NAME)
            return
        for node in nodes:
            final = normpath(file_name(file, self.recipe, self.variant, node) or "").lower()
            if final.startswith("/") or PurePath(final).parts[:1] == ("..",):
                if not leads_out:
                    _report_way_out(place, final, self.problems)
                return
            if not self._has_place(i, final, delivery, file):
                return

    def _check_sounding(self, delivery: Table) -> None:
        """Add a problem for each unknown name in `only` and `without`."""
        for key in ("only", "without"):
            names = delivery.get(key)
            if not isinstance(names, Items):
                continue
            for name, place in zip(names, names.where, strict=True):
                if isinstance(name, str):
                    _check_node(name, place, [*self.stems, *self.buses], self.problems)

    def _nodes(self, delivery: Table) -> list[str]:
        """Nodes to deliver; adds a problem if there are none."""
        what = delivery.get("what", MAIN)
        if not isinstance(what, str):
            return []
        nodes = delivered_nodes(what, self.stems, self.buses)
        if not nodes:
            known = [MAIN, *(f"stems.{n}" for n in self.stems), *(f"buses.{n}" for n in self.buses)]
            self.problems.add(
                delivery.where["what"],
                "there is no such node to deliver",
                given=shown(what),
                allowed='"main", "stems.NAME", "buses.NAME", "stems.*", "buses.*"',
                hint=nearest(what, known),
                code=Code.DELIVERY_OF_NOTHING,
            )
        return nodes

    def _has_place(self, i: int, final: str, delivery: Table, file: str) -> bool:
        """Whether delivery `i` can be written as `final`, with its sidecar if any; adds a problem if not."""
        place = delivery.where["file"]
        if not PurePath(final).suffix:
            message = "the file has no name before its ending"
            hint = "{variant} is empty without a variant" if "{variant}" in file else None
            self.problems.add(place, message, given=shown(file), hint=hint, code=Code.DELIVERY_NAME)
            return False
        sidecar = delivery.get("sidecar") is True
        for one in (final, str(PurePath(final).with_suffix(".json"))) if sidecar else (final,):
            if one in self.seen:
                what = "same file" if one == final else "same sidecar"
                message = f"deliveries {self.seen[one]} and {i} write the {what}"
                self.problems.add(place, message, given=shown(file), code=Code.DELIVERIES_COLLIDE)
                return False
            self.seen[one] = i
        return True


def _check_format(delivery: Table, file: str, problems: Problems) -> None:
    """Add a problem for an unknown ending, and for bits that the format does not support."""
    place, ending = delivery.where["file"], PurePath(file).suffix.lower()
    if ending not in ENDINGS:
        message, known = "there is no format with this ending", ", ".join(ENDINGS)
        problems.add(place, message, given=shown(file), allowed=known, code=Code.UNKNOWN_FORMAT)
    if ending == ".flac" and delivery.get("bits") == 32:
        place = delivery.where["bits"]
        problems.add(place, "FLAC supports integers only", given="32", allowed="16, 24", code=Code.FORMAT_CANNOT_HOLD)


def _report_way_out(place: Place, file: str, problems: Problems) -> None:
    message = "a delivery must be inside the output folder"
    problems.add(place, message, given=shown(file), code=Code.DELIVERY_LEADS_OUT)


def file_name(pattern: str, recipe: str, variant: str, name: str) -> str | None:
    """File name of a delivery with {recipe}, {variant} and {name} filled in; None for any other placeholder."""
    known = {"{recipe}": recipe, "{variant}": variant, "{name}": name}
    rest = pattern
    for mark in known:
        rest = rest.replace(mark, "")
    if "{" in rest or "}" in rest:
        return None
    for mark, value in known.items():
        pattern = pattern.replace(mark, value)
    return pattern
