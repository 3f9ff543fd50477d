"""A closed plan: all that a recipe asks to be rendered and delivered. Nothing after it reads the recipe again."""

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
    """The recipe that a plan was made of."""

    name: str
    """Its file name without `.recipe.toml`."""
    path: Path
    variant: str | None
    change: str
    """A name for what was laid over it; empty for the recipe as it is written."""

    def folder_in(self, out: Path) -> Path:
        """Where its files land in an output folder: in it as it is written, in RECIPE.CHANGE if it was changed."""
        return folder_of(self.name, self.change, out)


def folder_of(name: str, change: str, out: Path) -> Path:
    """Where a recipe's files land in an output folder: in it as it is written, in RECIPE.CHANGE if it was changed."""
    return out / f"{name}.{change}" if change else out


@dataclass(frozen=True)
class Strip:
    """Where a stem, a bus or main goes, as the recipe is written: also where it is mute."""

    path: tuple[str, ...]
    """`("stems", "kick")`, `("main",)`."""
    to: str
    """The bus that it goes into; empty for main."""
    level_db: float
    ride_max_db: float
    """Highest point of its ride; 0 where there is none."""
    mute: bool
    has_sends: bool

    @property
    def name(self) -> str:
        """The node's name."""
        return self.path[-1]


@dataclass(frozen=True)
class Graph:
    """Nodes in an order in which they can be rendered, for one set of stems that sound."""

    nodes: tuple[Node, ...]
    sounding: frozenset[str] | None
    """The stems that sound; None for all."""

    @cached_property
    def _by_name(self) -> dict[str, Node]:
        return {node.name: node for node in self.nodes}

    def node(self, name: str) -> Node:
        """The node of this name. Raises KeyError."""
        return self._by_name[name]

    @property
    def rate_hz(self) -> int:
        """Sampling rate of the session, in Hz."""
        return self.nodes[0].rate_hz

    def __contains__(self, name: str) -> bool:
        return name in self._by_name


@dataclass(frozen=True)
class Plan:
    """All that a recipe asks for: nodes, deliveries, notes for a person, and warnings."""

    origin: Origin
    graph: Graph
    """The nodes of the mix, or of the solo that was asked for."""
    parts: Mapping[frozenset[str], Graph]
    """The nodes of deliveries with `only` or `without`, by the stems that sound."""
    wholes: Mapping[frozenset[str] | None, Graph]
    """For a solo: the nodes of what it is a part of, whose gain it gets. By the stems that sound; None for all."""
    deliveries: tuple[DeliverySpec, ...]
    """Files to write, in the order of the recipe; their paths are relative to the output folder."""
    whole_files: tuple[Path, ...]
    """The files that the whole recipe writes, sidecars too, whatever part of it this plan renders."""
    strips: Mapping[str, Strip]
    """Where each stem, bus and main goes, in the order of the recipe."""
    rate_hz: int
    session_s: float
    """Length of the session in seconds: the end of its last stem."""
    pan_law_db: float
    stretch: tuple[float, float] | None
    """The stretch of the session to deliver, in seconds; None for all of it."""
    block_frames: int
    recipe_hash: str
    """Hash of the resolved recipe and of its stems' content, whatever the paths."""
    inputs: frozenset[Path]
    """Every file that a render reads: recipes, presets, overlays, stems, responses. Resolved."""
    stamps: Mapping[str, Stamp]
    """Of the stem files, when their content was hashed: a file that changes later is noticed."""
    notes: tuple[str, ...]
    """What happens to stems on the way in: conversions."""
    problems: tuple[Problem, ...]
    """Warnings: what is wrong, and forbids nothing."""

    @property
    def nodes(self) -> tuple[Node, ...]:
        """The nodes of the mix, or of the solo that was asked for."""
        return self.graph.nodes

    @property
    def sounding(self) -> frozenset[str] | None:
        """The stems of the solo that was asked for; None where all sound."""
        return self.graph.sounding

    def node(self, name: str) -> Node:
        """The node of this name. Raises KeyError."""
        return self.graph.node(name)

    def way_of(self, name: str) -> list[str]:
        """A node and all that it runs through by `to`, without main."""
        return way_to_main(name, lambda one: self.strips[one].to)
