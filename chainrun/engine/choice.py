"""Chooses the nodes to render: those whose prints are not in the store."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from chainrun.engine.node import Stretch
from chainrun.engine.result import NodeResult
from chainrun.plan import Graph, Node
from chainrun.plan.identity import part_identity
from chainrun.store.prints import Footer, Print
from chainrun.store.store import Store
from chainrun.units import s_to_frames


@dataclass
class Choice:
    """Cached prints and the nodes still to render; updated as rendering proceeds."""

    to_render: list[Node] = field(default_factory=list)
    """In an order in which they can be rendered."""
    prints: dict[str, Print] = field(default_factory=dict)
    """Verified prints that are needed."""
    results: dict[str, NodeResult] = field(default_factory=dict)
    stretch: Stretch | None = None
    partial: set[str] = field(default_factory=set)
    """Nodes of which only the stretch is rendered."""
    notes: list[str] = field(default_factory=list)

    def frames(self, name: str) -> int:
        """Length of a node's print in frames."""
        return self.results[name].measured.n_frames


def choose(graph: Graph, store: Store, wanted: Sequence[str]) -> Choice:
    """Choice with the kept results of all nodes, and the prints of the nodes that are wanted or that others need."""
    choice = Choice()
    nodes = {node.name: node for node in graph.nodes}
    missing: set[str] = set()

    def require(name: str) -> None:
        if name in missing or name in choice.prints:
            return
        found = store.verified(nodes[name].identity) if name in choice.results else None
        if found is not None:
            choice.prints[name] = found
        else:
            render(name)

    def render(name: str) -> None:
        if name not in missing:
            missing.add(name)
            choice.results.pop(name, None)
            for needed in nodes[name].needs:
                require(needed)

    _take_results(graph, store, choice)
    for node in graph.nodes:
        if node.name not in choice.results:
            render(node.name)
    for name in wanted:
        require(name)
    choice.to_render = [node for node in graph.nodes if node.name in missing]
    return choice


def _take_results(graph: Graph, store: Store, choice: Choice) -> None:
    """Add the kept results to the choice."""
    for node in graph.nodes:
        kept = _kept(store, node)
        if kept is not None:
            choice.results[node.name] = NodeResult.from_document(kept.result)


def choose_stretch(
    graph: Graph, store: Store, wanted: Sequence[str], stretch: tuple[float, float], pre_roll_s: float
) -> Choice:
    """Choice for a stretch (from, to in seconds): whole prints where they are kept, else partial ones.

    Partial prints begin `pre_roll_s` before the stretch.
    """
    (from_s, to_s), rate_hz = stretch, graph.rate_hz
    begin = s_to_frames(max(0.0, from_s - pre_roll_s), rate_hz)
    choice = Choice(stretch=Stretch(begin, s_to_frames(to_s, rate_hz)))
    nodes = {node.name: node for node in graph.nodes}
    seen: set[str] = set()

    def require(name: str) -> None:
        if name in seen:
            return
        seen.add(name)
        node = nodes[name]
        if _take(store, node, choice):
            return
        choice.partial.add(name)
        part = replace(node, identity=part_identity(node, begin, to_s))
        nodes[name] = part
        if not _take(store, part, choice):
            for needed in node.needs:
                require(needed)

    for name in wanted:
        require(name)
    choice.to_render = [nodes[node.name] for node in graph.nodes if node.name in seen - set(choice.prints)]
    if choice.partial and begin > 0:
        lead = from_s - begin / rate_hz
        choice.notes.append(
            f"the stretch was rendered from {lead:g} s before its start, so earlier sound is missing from tails and "
            f"levels; render the whole mix once, and its stretches are exact"
        )
    return choice


def _take(store: Store, node: Node, choice: Choice) -> bool:
    kept = _kept(store, node)
    found = store.verified(node.identity) if kept is not None else None
    if kept is None or found is None:
        return False
    choice.prints[node.name] = found
    choice.results[node.name] = NodeResult.from_document(kept.result)
    return True


def _kept(store: Store, node: Node) -> Footer | None:
    footer = store.footer(node.identity)
    return footer if footer is not None and footer.labels == node.labels else None
