"""Addresses such as `buses.kit.chain.glue.ratio`: tokens with dots between, each a key, a digit or a step's name."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from chainrun.recipe.tables import Items, Table

STEMS, BUSES, MAIN = "stems", "buses", "main"
CHAIN = "chain"
SET = "set"


@dataclass(frozen=True)
class NodeAddress:
    """An address inside a stem, a bus or `main`."""

    group: str
    """`stems`, `buses` or `main`."""
    name: str
    """The node's own name; of main `main`."""
    inside: str
    """What follows the node: `chain.glue.ratio`, say; empty for the node itself."""

    @classmethod
    def of(cls, address: str) -> NodeAddress:
        """The parts of an address. What is too short has an empty name; whether the node exists is not looked up."""
        group, _, rest = address.partition(".")
        if group == MAIN:
            return cls(MAIN, MAIN, rest)
        name, _, inside = rest.partition(".")
        return cls(group, name, inside)

    @property
    def node(self) -> str:
        """The address of the node: `buses.kit`, or `main`."""
        return MAIN if self.group == MAIN else f"{self.group}.{self.name}"


def steps_around(address: str) -> Iterator[str]:
    """Addresses of what holds a key, from the innermost step to the node's chain; `set` of a preset use is passed over.

    `stems.kick.chain.sound.set.comp.ratio` lies in `…chain.sound.comp`, `…chain.sound` and `stems.kick.chain`.
    """
    tokens = [token for token in address.split(".")[:-1] if token != SET]
    while CHAIN in tokens[1:]:
        yield ".".join(tokens)
        tokens.pop()


def item_index(items: Items, token: str) -> int | None:
    """The item that a digit or a step's name addresses; a `do` or a preset's name will do where only one has it."""
    if token.isascii() and token.isdigit():
        return int(token) if int(token) < len(items) else None
    for key in ("name", "do", "preset"):
        hits = [i for i, item in enumerate(items) if isinstance(item, dict) and item.get(key) == token]
        if len(hits) == 1:
            return hits[0]
    return None


def child_of(node: Any, token: str) -> Any:
    """What one token leads to from a table or an array of located data, or None."""
    if isinstance(node, Table):
        return node.get(token)
    if isinstance(node, Items):
        index = item_index(node, token)
        return node[index] if index is not None else None
    return None


def value_at(node: Any, tokens: Sequence[str]) -> Any:
    """What tokens lead to in located data, or None; a preset use on the way counts as a table."""
    for token in tokens:
        node = child_of(node, token)
    return node
