"""Sorts nodes so that each comes after all that it needs, or finds the circle."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence


def topological_order(needs: Mapping[str, Sequence[str]]) -> tuple[list[str], list[str] | None]:
    """Order of the nodes, and None; or, if there is a circle, an unfinished order and the circle's nodes.

    The first node of the circle is repeated at its end.
    """
    order: list[str] = []
    state: dict[str, int] = {}
    for root in needs:
        if root in state:
            continue
        path: list[str] = [root]
        stack = [iter(needs[root])]
        state[root] = 1
        while stack:
            following = next(stack[-1], None)
            if following is None:
                done = path.pop()
                stack.pop()
                state[done] = 2
                order.append(done)
            elif state.get(following) == 1:
                return order, [*path[path.index(following) :], following]
            elif following not in state:
                state[following] = 1
                path.append(following)
                stack.append(iter(needs[following]))
    return order, None


def way_to_main(name: str, to: Callable[[str], str]) -> list[str]:
    """A node and all buses after it, without main. `to` gives the bus that a node goes into; empty for main."""
    way = [name]
    while (here := to(way[-1])) not in ("main", "") and here not in way:
        way.append(here)
    return way
