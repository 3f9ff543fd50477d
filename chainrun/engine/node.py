"""Renders one node to its print, from paths and a plain description alone, so that any process can do it."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

import chainrun.processors  # noqa: F401  (declares the processors)
from chainrun.audiofile import BLOCK_FRAMES
from chainrun.blas import one_blas_thread
from chainrun.contract import Key
from chainrun.dsp.arrays import Array
from chainrun.engine.result import NodeResult
from chainrun.engine.sources import KeySource, SignalSource, StemSource, SumSource
from chainrun.errors import AudioError, Problem
from chainrun.loudness import Meter
from chainrun.plan import Node
from chainrun.problem_codes import Code
from chainrun.runtime import ChainRunner
from chainrun.store.prints import Print, PrintWriter
from chainrun.units import db_to_gain, s_to_frames

RUNG_OUT = db_to_gain(-90.0)
"""A tail ends at this level relative to the print's peak."""

Progress = Callable[[float], None]
"""Called with the share of the node that is rendered, 0 … 1."""


class _Tail:
    """Passes blocks on to `write`; after the input's end, only up to the last audible frame."""

    def __init__(self, write: Callable[[Array], None], n_input: int):
        self._write, self._left = write, n_input
        self._peak = 0.0
        self._quiet: list[Array] = []

    def write(self, y: Array) -> None:
        inside = min(y.shape[1], self._left)
        self._left -= inside
        self._peak = max(self._peak, float(y.max(initial=0.0)), -float(y.min(initial=0.0)))
        if inside:
            self._write(y[:, :inside])
        after = y[:, inside:]
        audible = np.flatnonzero(np.abs(after).max(axis=0, initial=0.0) > self._peak * RUNG_OUT)
        if audible.size:
            for block in self._quiet:
                self._write(block)
            end = int(audible[-1]) + 1
            self._write(after[:, :end])
            self._quiet, after = [], after[:, end:]
        if after.shape[1]:
            self._quiet.append(after)


def start_chain(node: Node, n_frames: int, begin_frame: int = 0) -> tuple[ChainRunner, list[Key]]:
    """Start a node's chain; returns its runner, and the keys that it listens to."""
    stream = replace(node.stream, n_frames=n_frames, begin_frame=begin_frame, memory={})
    return ChainRunner(node.chain, stream, node.addresses or None), [key for key, _ in node.keys]


@dataclass(frozen=True)
class Stretch:
    """Part of the session to render, in frames, its pre-roll included."""

    begin_frame: int
    end_frame: int


def node_source(node: Node, prints: Mapping[str, Print], begin_frame: int) -> SignalSource:
    """Input of a node's chain, from the session's frame `begin_frame` on."""
    if node.stem is not None:
        return StemSource(node.stem, node.rate_hz, begin_frame)
    return SumSource(node.inputs, prints, node.pan_law_db, node.rate_hz, begin_frame)


def max_frames(node: Node, n_input: int, tail_frames: int) -> int:
    """Maximum length of a print in frames: the input, and the tail up to the recipe's maximum."""
    max_tail = s_to_frames(node.max_tail_s, node.rate_hz)
    if node.kind == "stem":
        return n_input + min(tail_frames, max_tail)
    session = s_to_frames(node.session_s, node.rate_hz)
    return max(n_input, min(max(n_input, session) + tail_frames, session + max_tail))


def run_chain(
    node: Node,
    prints: Mapping[str, Print],
    write: Callable[[Array], None],
    *,
    block_frames: int = BLOCK_FRAMES,
    stretch: Stretch | None = None,
    progress: Progress | None = None,
    given: SignalSource | None = None,
) -> tuple[ChainRunner, list[str]]:
    """Run a node's chain over its whole length and tail, or only over a stretch of the session.

    Calls `write` with float64 blocks of shape (n_channels, n_frames) in session time. `given` replaces the node's own
    input. Returns the chain's runner and notes.
    """
    begin = stretch.begin_frame if stretch is not None else 0
    source = given if given is not None else node_source(node, prints, begin)
    n_input = source.n_frames
    if node.kind == "main":
        n_input = max(n_input, s_to_frames(node.session_s, node.rate_hz))
    key_sources: dict[Key, SignalSource] = {}
    try:
        if stretch is not None:
            n_input = stretch.end_frame - begin
        chain, keys = start_chain(node, n_input, begin)
        for key, (_, sources) in zip(keys, node.keys, strict=True):
            key_sources[key] = KeySource(sources, prints, node.pan_law_db, node.rate_hz, begin)
        total = n_input if stretch is not None else max_frames(node, n_input, chain.tail_frames)
        total += chain.latency_frames
        late = chain.latency_frames
        tail = _Tail(write, n_input)
        at = 0
        while at < total:
            n = min(block_frames, total - at)
            block = source.read(n)
            y = chain.run(block, {key: one.read(n) for key, one in key_sources.items()})
            dropped = min(late, n)
            late -= dropped
            tail.write(y[:, dropped:])
            at += n
            if progress is not None:
                progress(at / total)
        notes = source.notes(node.name) if isinstance(source, StemSource) and stretch is None else []
        return chain, notes + [f"{node.name}: {note}" for note in chain.notes()]
    finally:
        source.close()
        for one in key_sources.values():
            one.close()


def render_node(
    node: Node,
    prints: Mapping[str, Print],
    path: Path,
    *,
    block_frames: int = BLOCK_FRAMES,
    stretch: Stretch | None = None,
    progress: Progress | None = None,
    given: SignalSource | None = None,
) -> tuple[Print, NodeResult]:
    """Render a node to the print file `path`, from the prints of the nodes that it needs, or from `given`.

    Raises AudioError for stems that cannot be read and for non-finite values, ResourceError for a failed write.
    """
    began = time.perf_counter()
    writer = PrintWriter(path, node.n_channels_out, stretch.begin_frame if stretch is not None else 0, node.identity)
    meter = Meter(node.rate_hz, node.n_channels_out, true_peak=node.kind == "main")

    def write(y: Array) -> None:
        printed = writer.write(y)
        if not np.isfinite(printed).all():
            raise AudioError(
                Problem(
                    "the chain made values that are too large or not numbers",
                    key=f"{node.kind} {node.name}",
                    code=Code.NOT_FINITE,
                )
            )
        meter.feed(printed)

    try:
        with one_blas_thread():
            chain, notes = run_chain(
                node, prints, write, block_frames=block_frames, stretch=stretch, progress=progress, given=given
            )
        result = NodeResult(
            name=node.name,
            kind=node.kind,
            measured=meter.result(),
            readings=tuple(chain.readings()),
            wet_levels=tuple(chain.wet_levels()),
            notes=tuple(notes),
            seconds=time.perf_counter() - began,
            latency_frames=chain.latency_frames,
            identity=node.identity,
            block_powers=tuple(meter.block_powers().tolist()),
        )
        return writer.finish(node.labels, result.document()), result
    except AudioError as error:
        writer.abandon()
        raise AudioError([replace(one, key=one.key or f"{node.kind} {node.name}") for one in error.problems]) from error
    except BaseException:
        writer.abandon()
        raise
