"""Predicts the cost of a render from its plan: processor time, memory of a chain, bytes on disk."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from chainrun.contract import Step, Stream
from chainrun.errors import Problem
from chainrun.limits import Limits
from chainrun.recipe import Recipe
from chainrun.recipe.semantics import delivered_nodes
from chainrun.recipe.tables import KeyPath

NS_A_FRAME = 120.0
"""Time per frame and channel of a node without its steps, in ns: reading, summing, measuring, writing."""


@dataclass(frozen=True)
class Cost:
    """Predicted cost, right within a factor of about three on the machine of tests/bench/RESULTS.md."""

    work_s: float = 0.0
    memory_bytes: float = 0.0
    disk_bytes: float = 0.0


def all_steps(chain: Sequence[Step], stream: Stream) -> Iterator[tuple[Step, Stream]]:
    """All steps that are not bypassed, also in inner chains, with the streams that they get."""
    for step in chain:
        if step.bypass:
            continue
        yield step, stream
        for _, inner in step.inner_chains():
            yield from all_steps(inner, stream)
        stream = replace(stream, n_channels=step.channels_out(stream.n_channels))


def cost_of_node(chain: Sequence[Step], stream: Stream, seconds: float, tail_s: float) -> Cost:
    """Cost of rendering one node of `seconds`, tail included."""
    frames = seconds * stream.rate_hz
    channels = stream.n_channels
    ns, starts, held = NS_A_FRAME * channels, 0.0, 2.0 * tail_s
    for step, here in all_steps(chain, stream):
        channels = max(channels, step.channels_out(here.n_channels))
        ns += step.ns_a_frame * step.oversampled() * max(here.n_channels, step.channels_out(here.n_channels))
        starts += step.start_s(here)
        held += step.held_s(here)
    return Cost(frames * ns * 1e-9 + starts, held * stream.rate_hz * 8.0, frames * channels * 4.0)


def over_limits(
    recipe: Recipe,
    limits: Limits,
    nodes: Sequence[tuple[KeyPath, list[Step], Stream]],
    session_s: float,
    rate_hz: int,
) -> Iterator[tuple[KeyPath, Problem]]:
    """Problem of each limit that a render would exceed, with the key to report it at."""
    tail_s = recipe.max_tail_s
    work_s = disk_bytes = 0.0
    times = 1
    for path, chain, stream in nodes:
        cost = cost_of_node(chain, stream, session_s + tail_s, tail_s)
        work_s, disk_bytes = work_s + cost.work_s, disk_bytes + cost.disk_bytes
        times = max([times, *(step.oversampled() for step, _ in all_steps(chain, stream))])
        over = limits.exceeded("memory_gb", cost.memory_bytes / 1e9, "the memory of this chain")
        if over is not None:
            yield (*path, "chain"), over
    for delivery in recipe.deliver:
        count = len(delivered_nodes(delivery.what, list(recipe.stems), list(recipe.buses)))
        disk_bytes += count * (session_s + tail_s) * (delivery.rate_hz or rate_hz) * 2 * delivery.bits / 8
    rate = max(rate_hz, *(delivery.rate_hz or 0 for delivery in recipe.deliver))
    for name, value, what, path in (
        ("length_s", session_s, "the session's length", ()),
        ("rate_hz", rate, "the rate", ("rate_hz",)),
        ("tail_s", tail_s, "the tail", ("max_tail_s",)),
        ("oversampling", times, "the oversampling of a step", ()),
        ("work_h", work_s / 3600.0, "the predicted work", ()),
        ("disk_gb", disk_bytes / 1e9, "the predicted use of the disk", ()),
    ):
        if (over := limits.exceeded(name, value, what)) is not None:
            yield path, over
