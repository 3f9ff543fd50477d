"""Addresses such as `buses.kit.chain.glue.ratio`: keys, numbers or names of steps, separated by dots."""

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
    """Address inside a stem, a bus or `main`."""

    group: str
    """`stems`, `buses` or `main`."""
    name: str
    """Name of the node; `main` for main."""
    inside: str
    """Rest after the node, such as `chain.glue.ratio`; empty for the node itself."""

    @classmethod
    def of(cls, address: str) -> NodeAddress:
        """Split an address. The name is empty if the address is too short; the node need not exist."""
        group, _, rest = address.partition(".")
        if group == MAIN:
            return cls(MAIN, MAIN, rest)
        name, _, inside = rest.partition(".")
        return cls(group, name, inside)

    @property
    def node(self) -> str:
        """Address of the node: `buses.kit`, or `main`."""
        return MAIN if self.group == MAIN else f"{self.group}.{self.name}"


def steps_around(address: str) -> Iterator[str]:
    """Addresses of the steps around a key, from the innermost to the node's chain; `set` of a preset use is skipped.

    `stems.kick.chain.sound.set.comp.ratio` is inside `…chain.sound.comp`, `…chain.sound` and `stems.kick.chain`.
    """
    tokens = [token for token in address.split(".")[:-1] if token != SET]
    while CHAIN in tokens[1:]:
        yield ".".join(tokens)
        tokens.pop()


def item_index(items: Items, token: str) -> int | None:
    """Index of the item with this number or step's name, or the only item with this `do` or preset; else None."""
    if token.isascii() and token.isdigit():
        return int(token) if int(token) < len(items) else None
    for key in ("name", "do", "preset"):
        hits = [i for i, item in enumerate(items) if isinstance(item, dict) and item.get(key) == token]
        if len(hits) == 1:
            return hits[0]
    return None


def child_of(node: Any, token: str) -> Any:
    """Value that one token addresses in a table or array of located data, or None."""
    if isinstance(node, Table):
        return node.get(token)
    if isinstance(node, Items):
        index = item_index(node, token)
        return node[index] if index is not None else None
    return None


def value_at(node: Any, tokens: Sequence[str]) -> Any:
    """Value that tokens address in located data, or None; a preset use on the way counts as a table."""
    for token in tokens:
        node = child_of(node, token)
    return node
