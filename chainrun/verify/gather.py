"""Measures a render for its baseline: enough to compare another render with, small enough to review."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import closing
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from chainrun.audiofile import BLOCK_FRAMES, Reader
from chainrun.comparison.difference import band_array
from chainrun.delivery import RenderResult
from chainrun.delivery.result import DeliveryResult
from chainrun.dsp.arrays import Array
from chainrun.dsp.cascade import Cascade
from chainrun.dsp.sketch import LINES, Sketch
from chainrun.engine.result import NodeResult
from chainrun.errors import Problem, ResourceError
from chainrun.loudness.analysis import Analysis
from chainrun.loudness.k_weighting import k_weighting
from chainrun.loudness.meter import loudness_of
from chainrun.measured import Measured
from chainrun.plan.surroundings import surroundings
from chainrun.problem_codes import Code
from chainrun.recipe import Opened
from chainrun.store.prints import PrintSource
from chainrun.store.store import Store
from chainrun.verify.baseline import VERSION, Baseline
from chainrun.verify.changed import presets
from chainrun.verify.facts import QUANTITIES, SILENT_DB, DeliveryFacts, NodeFacts, in_one_line, packed
from chainrun.verify.recordings import recordings
from chainrun.verify.settings import settings

MAX_POINTS_DELIVERY, MAX_POINTS_NODE = 300, 60
"""Maximum number of points of a curve and rows of a sketch; each covers one second, or several in a long sound."""
NODE_METER_EVERY = 4
"""Interval of the windows at which a node's curves are metered, to save time; a delivery's use every one."""
READ_FRAMES = 1 << 16


def gather(opened: Opened, result: RenderResult, store: Store, out: Path) -> Baseline:
    """Make the baseline of a render from the delivered files and the nodes' prints.

    Raises ResourceError if a print is missing from the store.
    """
    return Baseline(
        grammar=VERSION,
        recipe=opened.path.name,
        variant=opened.variant or "",
        recipe_hash=result.recipe_hash,
        made_with=asdict(surroundings(BLOCK_FRAMES)),
        presets=presets(opened),
        settings=settings(opened, store),
        deliveries={delivery_name(one, out): _delivery(one) for one in result.deliveries},
        recordings=recordings(opened),
        nodes={node.name: _node(node, result.rate_hz, store) for node in result.nodes},
    )


def delivery_name(delivery: DeliveryResult, out: Path) -> str:
    """Name of a delivery in a baseline: its file, relative to the output folder."""
    return Path(delivery.file).relative_to(out).as_posix()


def _delivery(delivery: DeliveryResult) -> DeliveryFacts:
    with Reader(Path(delivery.file)) as reader:
        header = reader.header
        blocks = reader.blocks(READ_FRAMES)
        measured = _measured(blocks, header.rate_hz, header.n_channels, every=1, max_points=MAX_POINTS_DELIVERY)
    exact = {key: _rounded(getattr(delivery.measured, key)) for key in QUANTITIES[:5]}
    return DeliveryFacts(pcm_sha256=delivery.pcm_sha256, encoding=header.encoding, **measured | exact)


def _node(node: NodeResult, rate_hz: int, store: Store) -> NodeFacts:
    footer = store.footer(node.identity)
    if footer is None:
        raise ResourceError(
            Problem(
                f"the print of {node.name} is missing from the store",
                hint="if the store was pruned meanwhile, verify again",
                code=Code.PRINT_GONE,
            )
        )
    with closing(PrintSource(footer.print_at(store.path_of(node.identity)))) as source:
        blocks = source.blocks(READ_FRAMES)
        facts = _measured(blocks, rate_hz, source.n_channels, every=NODE_METER_EVERY, max_points=MAX_POINTS_NODE)
    readings: dict[str, float] = {}
    for reading in node.readings:
        for key, value in reading.quantities().items():
            readings[f"{reading.named}.{key}"] = round(value, 2)
    return NodeFacts(kind=node.kind, identity=node.identity, pcm_crc32=footer.audio_crc32, readings=readings, **facts)


def print_measured(node: NodeResult, rate_hz: int, store: Store) -> Measured:
    """All readings of a node's print, measured again if the store has it."""
    footer = store.footer(node.identity)
    if footer is None:
        return node.measured
    with closing(PrintSource(footer.print_at(store.path_of(node.identity)))) as source:
        analysis = Analysis(rate_hz, source.n_channels)
        for x in source.blocks(READ_FRAMES):
            analysis.feed(x)
    return analysis.result()


def _measured(blocks: Iterator[Array], rate_hz: int, n_channels: int, *, every: int, max_points: int) -> dict[str, Any]:
    """The fields of SoundFacts: length, levels, third octaves, loudness over time, sketch of the K-weighted sound."""
    analysis = Analysis(rate_hz, n_channels, every=every)
    sketch = Sketch(rate_hz, min(n_channels, 2))
    weighting = Cascade(k_weighting(rate_hz))
    state = weighting.start_state(min(n_channels, 2))
    for x in blocks:
        analysis.feed(x)
        weighted, state = weighting.run(np.ascontiguousarray(x[:2]), state)
        sketch.feed(weighted)
    measured = analysis.result()
    step_s, curve = _curve(analysis.block_powers(), analysis.short_term_powers(), max_points)
    return {
        "rate_hz": rate_hz,
        "n_channels": n_channels,
        "n_frames": measured.n_frames,
        **{key: _rounded(getattr(measured, key)) for key in QUANTITIES},
        "third_octaves_db": in_one_line(band_array(measured.third_octave_db or {})),
        "curve_step_s": step_s,
        "curve_lufs": in_one_line(curve),
        "sketch": packed(_coarse(sketch.result(), step_s)),
    }


def _rounded(value: float | None) -> float:
    return round(float(value), 3) if value is not None and math.isfinite(value) else SILENT_DB


def _curve(momentary: Array, short_term: Array, max_points: int) -> tuple[int, Array]:
    """Loudness of each step of whole seconds: the loudest 3 s window that ends in it (before 3 s: mean of 400 ms)."""
    seconds = -(-momentary.size // 10)
    step = max(1, -(-seconds // max_points))
    hops = np.arange(short_term.size) + 30  # index of the 100 ms hop at the end of each window
    found = []
    for at in range(0, momentary.size, 10 * step):
        ended = short_term[(hops > at) & (hops <= at + 10 * step)]
        powers = ended if ended.size else momentary[at : at + 10 * step]
        found.append(max(SILENT_DB, loudness_of(float(powers.max() if ended.size else powers.mean()))))
    return step, np.array(found)


def _coarse(rows: Array, step: int) -> Array:
    """A sketch with one row for each step of the curve; rows of a sketch can be added."""
    return np.array([rows[at : at + step].sum(axis=0) for at in range(0, len(rows), step)]).reshape(-1, LINES)
