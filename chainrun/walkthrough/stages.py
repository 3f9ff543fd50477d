"""A stem after each of its steps, each rendered from the stage before: n steps cost n runs of one step."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from contextlib import closing, nullcontext
from dataclasses import dataclass, replace

from chainrun.contract import Reading, Step
from chainrun.engine.node import render_node
from chainrun.engine.result import NodeResult
from chainrun.plan import Node
from chainrun.store.prints import Print, PrintSource
from chainrun.store.store import Store


@dataclass(frozen=True)
class Stage:
    """A stem after one of its steps; raw where `step` is None."""

    name: str
    step: Step | None
    printed: Print
    readings: tuple[Reading, ...]
    latency_frames: int


def stages(node: Node, prints: Mapping[str, Print], store: Store) -> list[Stage]:
    """The stem raw, and after each step that is not bypassed. `prints` has those of the nodes that are keys.

    The stages are cached in the store. Raises AudioError, ResourceError.
    """
    bare = replace(node, chain=(), addresses=(), keys=(), n_channels_out=node.n_channels)
    found = [_stage("raw", None, bare, before=None, prints=prints, store=store, identity=_identity(node, 0))]
    for k, (step, address) in enumerate(zip(node.chain, node.addresses, strict=True)):
        if step.bypass:
            continue
        before = found[-1].printed
        sidechains = set(step.listens_to())
        alone = replace(
            node,
            chain=(step,),
            addresses=(address,),
            keys=tuple((key, sources) for key, sources in node.keys if key in sidechains),
            stream=replace(node.stream, n_channels=before.n_channels),
            n_channels_out=step.channels_out(before.n_channels),
        )
        name = address[1].removeprefix("chain.")
        found.append(
            _stage(name, step, alone, before=before, prints=prints, store=store, identity=_identity(node, k + 1))
        )
    return found


def _identity(node: Node, k: int) -> str:
    """Identity of a stage: that of the node, which covers all that determines it, and the number of its step."""
    return hashlib.sha256(json.dumps(["stage", node.identity, k]).encode()).hexdigest()


def _stage(
    name: str,
    step: Step | None,
    node: Node,
    *,
    before: Print | None,
    prints: Mapping[str, Print],
    store: Store,
    identity: str,
) -> Stage:
    footer = store.footer(identity)
    known = footer is not None and footer.labels == node.labels
    kept = store.verified(identity) if known else None
    if footer is not None and kept is not None:
        result = NodeResult.from_document(footer.result)
        return Stage(name, step, kept, result.readings, result.latency_frames)
    with store.run({identity}) as run:
        part = store.part_of(run, identity)
        with closing(PrintSource(before)) if before is not None else nullcontext() as given:
            printed, result = render_node(replace(node, identity=identity), prints, part, given=given)
        path = store.publish(part, identity)
    return Stage(name, step, replace(printed, path=path), result.readings, result.latency_frames)
