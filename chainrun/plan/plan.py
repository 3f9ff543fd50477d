"""Plan: everything a recipe asks to render and deliver. Engine and delivery do not read the recipe again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from chainrun.errors import Problem
from chainrun.plan.deliveries import DeliverySpec
from chainrun.plan.nodes import Node
from chainrun.plan.order import way_to_main
from chainrun.whole_file import Stamp


@dataclass(frozen=True)
class Origin:
    """Recipe from which a plan was made."""

    name: str
    """Its file name without `.recipe.toml`."""
    path: Path
    variant: str | None
    change: str
    """Name of the changes laid over it; empty for the unchanged recipe."""

    def folder_in(self, out: Path) -> Path:
        """Folder of its files: the output folder itself, or RECIPE.CHANGE inside it for a changed recipe."""
        return folder_of(self.name, self.change, out)


def folder_of(name: str, change: str, out: Path) -> Path:
    """Folder of a recipe's files: the output folder itself, or RECIPE.CHANGE inside it for a changed recipe."""
    return out / f"{name}.{change}" if change else out


@dataclass(frozen=True)
class Strip:
    """Fader and routing of a stem, a bus or main as written in the recipe, muted or not."""

    path: tuple[str, ...]
    """`("stems", "kick")`, `("main",)`."""
    to: str
    """Bus that it goes into; empty for main."""
    level_db: float
    ride_max_db: float
    """Maximum of its ride; 0 without a ride."""
    mute: bool
    has_sends: bool

    @property
    def name(self) -> str:
        """Name of the node."""
        return self.path[-1]


@dataclass(frozen=True)
class Graph:
    """Nodes in an order in which they can be rendered, for one set of sounding stems."""

    nodes: tuple[Node, ...]
    sounding: frozenset[str] | None
    """Stems that sound; None for all."""

    @cached_property
    def _by_name(self) -> dict[str, Node]:
        return {node.name: node for node in self.nodes}

    def node(self, name: str) -> Node:
        """Node with this name. Raises KeyError."""
        return self._by_name[name]

    @property
    def rate_hz(self) -> int:
        """Sampling rate of the session, in Hz."""
        return self.nodes[0].rate_hz

    def __contains__(self, name: str) -> bool:
        return name in self._by_name


@dataclass(frozen=True)
class Plan:
    """Everything a recipe asks for: nodes, deliveries, notes and warnings."""

    origin: Origin
    graph: Graph
    """Nodes of the mix, or of the requested solo."""
    parts: Mapping[frozenset[str], Graph]
    """Nodes of deliveries with `only` or `without`, by sounding stems."""
    wholes: Mapping[frozenset[str] | None, Graph]
    """For a solo: nodes of the whole mix, whose gain it gets, by sounding stems; None for all."""
    deliveries: tuple[DeliverySpec, ...]
    """Files to write, in the order of the recipe; their paths are relative to the output folder."""
    whole_files: tuple[Path, ...]
    """Files and sidecars that the whole recipe writes, even if this plan renders only a part of it."""
    strips: Mapping[str, Strip]
    """Fader and routing of each stem, bus and main, in the order of the recipe."""
    rate_hz: int
    session_s: float
    """Length of the session in seconds: the end of its last stem."""
    pan_law_db: float
    stretch: tuple[float, float] | None
    """Stretch of the session to deliver, in seconds; None for the whole session."""
    block_frames: int
    recipe_hash: str
    """Hash of the resolved recipe and of its stems' content, independent of paths."""
    inputs: frozenset[Path]
    """All files that a render reads: recipes, presets, overlays, stems, responses. Resolved."""
    stamps: Mapping[str, Stamp]
    """Stamps of the stem files, taken when their content was hashed: they show if a file changes later."""
    notes: tuple[str, ...]
    """Notes on the stems: conversions, differing lengths."""
    problems: tuple[Problem, ...]
    """Warnings; they do not prevent a render."""

    @property
    def nodes(self) -> tuple[Node, ...]:
        """Nodes of the mix, or of the requested solo."""
        return self.graph.nodes

    @property
    def sounding(self) -> frozenset[str] | None:
        """Stems of the requested solo; None if all sound."""
        return self.graph.sounding

    def node(self, name: str) -> Node:
        """Node with this name. Raises KeyError."""
        return self.graph.node(name)

    def way_of(self, name: str) -> list[str]:
        """A node and all buses after it, by `to`, without main."""
        return way_to_main(name, lambda one: self.strips[one].to)
