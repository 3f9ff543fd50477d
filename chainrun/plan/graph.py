"""Builds the nodes of a session for one set of sounding stems: inputs, keys, order, hashes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from chainrun.contract import Key, Step, Stream
from chainrun.plan.identity import node_identity
from chainrun.plan.nodes import Input, KeyInput, Node
from chainrun.plan.order import topological_order
from chainrun.plan.plan import Graph
from chainrun.plan.stems import SessionStems
from chainrun.plan.surroundings import Surroundings
from chainrun.recipe import Bus, Main, Opened, Stem
from chainrun.runtime.chain import channels_after

MAIN = "main"
SUM = " (sum)"


@dataclass(frozen=True)
class PlannedChain:
    """Chain that is ready to run, and its part of the hash of a print."""

    steps: tuple[Step, ...]
    """Steps with absolute paths of their files."""
    sounding: list[Any]
    """Steps as plain data for the hash: no names, no notes, hashes in place of files."""
    labels: str
    """Hash of its names."""
    responses: tuple[str, ...] = ()
    """Audio files of its steps."""


class SessionNodes:
    """Common data of all graphs of a session: strips, channels, keys, streams."""

    def __init__(self, opened: Opened, stems: SessionStems):
        self.opened, self.recipe, self.stems = opened, opened.recipe, stems
        self.names = [*self.recipe.stems, *self.recipe.buses, MAIN]
        self.channels = {name: self._channels_of(name) for name in self.names}
        """Number of channels of each node before and after its chain."""

    def strip(self, name: str) -> Stem | Bus | Main:
        """Stem, bus or main with this name in the recipe."""
        return strip_of(self.opened, name)

    def path(self, name: str) -> tuple[str, ...]:
        """Key path of a node in the recipe."""
        return (MAIN,) if name == MAIN else ("stems" if name in self.recipe.stems else "buses", name)

    def _channels_of(self, name: str) -> tuple[int, int]:
        before = self.stems.inputs[name].n_channels if name in self.recipe.stems else 2
        return before, channels_after(list(self.strip(name).chain), before)

    def stream(self, name: str) -> Stream:
        """Signal at the input of a node's chain."""
        keys = keys_of(self.strip(name))
        strip = self.strip(name)
        levels = {key: self._hit_level_of_key(key) for key in keys}
        return Stream(
            rate_hz=self.stems.rate_hz,
            n_channels=self.channels[name][0],
            pan_law_db=self.recipe.pan_law_db,
            hit_level_dbfs=_hit_level(strip) if isinstance(strip, Stem) else None,
            tempo_bpm=self.recipe.tempo_bpm,
            key_channels={key: self._key_channels(key) for key in keys},
            key_hit_levels={key: level for key, level in levels.items() if level is not None},
        )

    def _hit_level_of_key(self, key: Key) -> float | None:
        stems = [self.recipe.stems[name] for name in key.sources if name in self.recipe.stems]
        levels = [level for level in map(_hit_level, stems) if level is not None]
        return max(levels) if levels else None

    def _key_channels(self, key: Key) -> int:
        return max(self.channels[name][0 if key.tap == "before_chain" else 1] for name in key.sources)


def strip_of(opened: Opened, name: str) -> Stem | Bus | Main:
    """Stem, bus or main with this name in the recipe."""
    recipe = opened.recipe
    if name == MAIN:
        return recipe.main
    return recipe.stems.get(name) or recipe.buses[name]


def keys_of(strip: Stem | Bus | Main) -> list[Key]:
    """Keys that a chain listens to, each once."""
    return list(dict.fromkeys(key for step in strip.chain for key in step.listens_to()))


def _hit_level(stem: Stem) -> float | None:
    if stem.hit_level_dbfs is None:
        return None
    trim = max(stem.trim_db) if isinstance(stem.trim_db, list) else stem.trim_db
    return stem.hit_level_dbfs + trim


def cycle_in(opened: Opened) -> list[str] | None:
    """A circle in the signal path, upstream; None if there is none.

    Muted nodes count, too: a circle must not first appear when a mute is removed.
    """
    nodes = {**opened.recipe.stems, **opened.recipe.buses}

    def feeds(bus: str) -> list[str]:
        return [name for name, strip in nodes.items() if strip.to == bus or bus in strip.sends]

    needs: dict[str, list[str]] = {}
    for name in [*nodes, MAIN]:
        needs[name] = [] if name in opened.recipe.stems else feeds(name)
        for key in keys_of(strip_of(opened, name)):
            for source in key.sources:
                if key.tap == "after_chain":
                    needs[name].append(source)
                elif source in opened.recipe.buses:  # the bus's sum before its chain is a node of its own here
                    needs[name].append(f"{source}{SUM}")
                    needs[f"{source}{SUM}"] = feeds(source)
    _, cycle = topological_order(needs)
    return [one.removesuffix(SUM) for one in cycle] if cycle is not None else None


@dataclass
class GraphBuilder:
    """Builds the graph of a session for one set of sounding stems; None for all."""

    session: SessionNodes
    sounding: frozenset[str] | None
    chains: Mapping[str, PlannedChain]
    surroundings: Surroundings | None
    """Other conditions that determine the bits; None for a graph without hashes."""

    def graph(self) -> Graph:
        """Graph of all nodes, in an order in which they can be rendered."""
        needs = self.needs()
        order, _ = topological_order(needs)
        hashes: dict[str, str] = {}
        return Graph(tuple(self._node(name, needs[name], hashes) for name in order), self.sounding)

    def needs(self) -> dict[str, list[str]]:
        """For each node the nodes whose prints it needs."""
        return {name: self._needs(name) for name in self.session.names}

    def _needs(self, name: str) -> list[str]:
        recipe = self.session.recipe
        needed = [] if name in recipe.stems else [source.node for source in self._inputs(name)]
        for key in keys_of(self.session.strip(name)):
            for source in key.sources:
                if key.tap == "after_chain":
                    needed.append(source)
                elif source in recipe.buses:
                    needed += [one.node for one in self._inputs(source)]
        return list(dict.fromkeys(needed))

    def _inputs(self, bus: str) -> tuple[Input, ...]:
        """Inputs of a bus, in the order of the recipe."""
        recipe = self.session.recipe
        found: list[Input] = []
        for name, strip in [*recipe.stems.items(), *recipe.buses.items()]:
            silent = self.sounding is not None and name in recipe.stems and name not in self.sounding
            if strip.mute or silent:
                continue
            base = Input(
                name,
                self.session.channels[name][1],
                strip.level_db,
                strip.pan_pct,
                tuple((point.at_s, point.gain_db) for point in strip.ride),
                tuple((part.from_s, part.to_s) for part in strip.active),
            )
            if strip.to == bus:
                found.append(base)
            send = strip.sends.get(bus)
            if send is not None:
                found.append(replace(base, send_db=send.level_db, before_fader=send.tap == "after_chain"))
        return tuple(found)

    def _key_input(self, source: str, tap: str) -> KeyInput:
        channels = self.session.channels
        if tap == "after_chain":
            return KeyInput(source, tap, channels[source][1])
        if source in self.session.recipe.stems:
            return KeyInput(source, tap, channels[source][0], stem=self.session.stems.inputs[source])
        return KeyInput(source, tap, 2, inputs=self._inputs(source))

    def _node(self, name: str, needs: list[str], hashes: dict[str, str]) -> Node:
        session, recipe, chain = self.session, self.session.recipe, self.chains[name]
        node = Node(
            name=name,
            kind="main" if name == MAIN else ("stem" if name in recipe.stems else "bus"),
            stem=session.stems.inputs.get(name),
            inputs=() if name in recipe.stems else self._inputs(name),
            chain=chain.steps,
            addresses=tuple(session.opened.addresses(*session.path(name))),
            keys=tuple(
                (key, tuple(self._key_input(source, key.tap) for source in key.sources))
                for key in keys_of(session.strip(name))
            ),
            stream=session.stream(name),
            n_channels_out=session.channels[name][1],
            max_tail_s=recipe.max_tail_s,
            session_s=session.stems.session_s,
            needs=tuple(needs),
            responses=chain.responses,
            labels=chain.labels,
        )
        if self.surroundings is not None:
            hashes[name] = node_identity(node, chain.sounding, hashes, self.surroundings)
            node = replace(node, identity=hashes[name])
        return node
