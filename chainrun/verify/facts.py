"""What a baseline holds: everything about a render that another one can be compared with, small enough to review."""

from __future__ import annotations

import base64
import json
import math
from collections.abc import Iterator
from contextlib import closing
from dataclasses import asdict
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote

import numpy as np

from chainrun.audiofile import BLOCK_FRAMES, Reader
from chainrun.comparison.difference import band_array
from chainrun.delivery import RenderResult
from chainrun.delivery.result import QUANTITIES as READINGS
from chainrun.delivery.result import DeliveryResult
from chainrun.dsp.arrays import Array
from chainrun.dsp.cascade import Cascade
from chainrun.dsp.sketch import LINES, Sketch
from chainrun.engine.result import NodeResult
from chainrun.json_hash import short_hash
from chainrun.loudness.analysis import Analysis
from chainrun.loudness.k_weighting import k_weighting
from chainrun.loudness.meter import loudness_of
from chainrun.measured import Measured
from chainrun.plan.identity import sounding_part
from chainrun.plan.surroundings import surroundings
from chainrun.recipe import Opened
from chainrun.store.prints import PrintSource
from chainrun.store.store import Store
from chainrun.verify.changed import presets
from chainrun.verify.recordings import recordings

VERSION = 2
MAX_POINTS = {"delivery": 300, "node": 60}
"""Points of a curve, and rows of a sketch: of a second each, or of as many whole seconds as it takes."""
MAX_LEAVES = 200
OF_ALL = {"rate_hz", "pan_law_db", "tempo_bpm", "tail_max_s"}
SILENT_KEYS = {"note", "source", "group", "file"}
SILENT_DB = -200.0
QUANTITIES = (
    "integrated_lufs", "momentary_max_lufs", "short_term_max_lufs", "range_lu", "true_peak_dbtp", "sample_peak_dbfs",
    "rms_dbfs", "correlation", "side_to_mid_db",
)  # fmt: skip


def gather(opened: Opened, result: RenderResult, store: Store, out: Path) -> dict[str, Any]:
    """The whole baseline of a render. Reads the delivered files and the nodes' prints."""
    return {
        "baseline": VERSION,
        "recipe": opened.path.name,
        "variant": opened.variant or "",
        "recipe_hash": result.recipe_hash,
        "made_with": asdict(surroundings(BLOCK_FRAMES)),
        "presets": presets(opened),
        "settings": settings(opened, store),
        "deliveries": {delivery_name(one, out): _delivery(one) for one in result.deliveries},
        "recordings": recordings(opened),
        "nodes": {node.name: _node(node, result.rate_hz, store) for node in result.nodes},
    }


def delivery_name(delivery: DeliveryResult, out: Path) -> str:
    """How a delivery is called in a baseline: its file, seen from the output folder."""
    return Path(delivery.file).relative_to(out).as_posix()


def settings(opened: Opened, store: Store) -> dict[str, str]:
    """What is written of every step, and of each stem, bus and delivery, a line each: so a change can be named."""
    recipe = opened.recipe
    found = {"recipe": told(recipe.model_dump(include=OF_ALL, exclude_unset=True))}
    for table, strips in (("stems", recipe.stems), ("buses", recipe.buses)):
        for name, strip in strips.items():
            plain = strip.model_dump(exclude={"chain", *SILENT_KEYS}, by_alias=True, exclude_unset=True)
            if table == "stems":
                plain["file"] = f"#{short_hash([store.hash_file(path) for path in opened.stem_files(name)])}"
            found[f"{table}.{name}"] = told(plain)
            found |= _steps(opened, (table, name), list(strip.chain))
    found |= _steps(opened, ("main",), list(recipe.main.chain))
    for i, delivery in enumerate(recipe.deliver):
        found[f"deliver.{i}"] = told(delivery.model_dump(exclude={"tags", "note"}, exclude_unset=True))
    return found


def _steps(opened: Opened, path: tuple[str, ...], chain: list[Any]) -> dict[str, str]:
    addresses = opened.addresses(*path)
    return {
        ".".join((*path, named)): told(sounding_part(step.model_dump(by_alias=True, exclude_unset=True)))
        for (_, named), step in zip(addresses, chain, strict=True)
    }


def told(value: dict[str, Any]) -> str:
    """Plain data as words of one line, `bands.0.gain_db=3.0 …`; what is long as its hash."""
    words = []
    for key, inner in value.items():
        leaves = list(_leaves(inner, key))
        words += leaves if len(leaves) <= MAX_LEAVES else [(key, f"#{short_hash(inner)}")]
    return " ".join(f"{key}={text}" for key, text in words)


def _leaves(value: Any, path: str) -> Iterator[tuple[str, str]]:
    if isinstance(value, dict | list | tuple) and value:
        for key, inner in value.items() if isinstance(value, dict) else enumerate(value):
            yield from _leaves(inner, f"{path}.{quote(str(key), safe='')}")
    elif value is not None:
        yield path, quote(value, safe="/#") if isinstance(value, str) else json.dumps(value).replace(" ", "")


def read_back(text: str) -> dict[str, str]:
    """The words of `told` by their keys."""
    return {unquote(key): unquote(value) for key, _, value in (word.partition("=") for word in text.split())}


def _delivery(delivery: DeliveryResult) -> dict[str, Any]:
    with Reader(Path(delivery.file)) as reader:
        header = reader.header

        heard = _heard(reader.blocks(1 << 16), header.rate_hz, header.n_channels, every=1, most=MAX_POINTS["delivery"])
    exact = {key: _rounded(getattr(delivery.measured, key), 3) for key in QUANTITIES[:5]}
    return {"pcm_sha256": delivery.pcm_sha256, "encoding": header.encoding} | heard | exact


def _node(node: NodeResult, rate_hz: int, store: Store) -> dict[str, Any]:
    readings: dict[str, float] = {}
    for reading in node.readings:
        record = reading.record(curve=False)
        for key in READINGS:
            readings[f"{reading.named}.{key}"] = round(float(record[key]), 2)
    footer = store.footer(node.identity)
    facts: dict[str, Any] = {"kind": node.kind, "identity": node.identity}
    if footer is not None:
        facts["pcm_crc32"] = footer.audio_crc32
        with closing(PrintSource(footer.print_at(store.path_of(node.identity)))) as source:
            heard = _heard(source.blocks(1 << 16), rate_hz, source.n_channels, every=4, most=MAX_POINTS["node"])
        facts |= heard
    return facts | ({"readings": readings} if readings else {})


def print_measured(node: NodeResult, rate_hz: int, store: Store) -> Measured:
    """All readings of a node's print."""
    footer = store.footer(node.identity)
    if footer is None:
        return node.measured
    with closing(PrintSource(footer.print_at(store.path_of(node.identity)))) as source:
        analysis = Analysis(rate_hz, source.n_channels)
        for x in source.blocks(1 << 16):
            analysis.feed(x)
    return analysis.result()


def _heard(blocks: Iterator[Array], rate_hz: int, n_channels: int, *, every: int, most: int) -> dict[str, Any]:
    """Length, levels, third octaves, loudness over time, and a sketch of the K-weighted sound."""
    analysis = Analysis(rate_hz, n_channels, every=every)
    sketch = Sketch(rate_hz, min(n_channels, 2))
    weighting = Cascade(k_weighting(rate_hz))
    state = weighting.start_state(min(n_channels, 2))
    for x in blocks:
        analysis.feed(x)
        weighted, state = weighting.run(np.ascontiguousarray(x[:2]), state)
        sketch.feed(weighted)
    measured = analysis.result()
    step_s, curve = _curve(analysis.block_powers(), analysis.short_term_powers(), most)
    return {
        "rate_hz": rate_hz,
        "n_channels": n_channels,
        "n_frames": measured.n_frames,
        **{key: _rounded(getattr(measured, key), 3) for key in QUANTITIES},
        "third_octaves_db": in_one_line(band_array(measured.third_octave_db or {})),
        "curve_step_s": step_s,
        "curve_lufs": in_one_line(curve),
        "sketch": packed(_coarse(sketch.result(), step_s)),
    }


def _rounded(value: float | None, digits: int) -> float:
    """TOML has no null: silence and what there is none of read -200."""
    return round(value, digits) if value is not None and math.isfinite(value) else SILENT_DB


def _curve(momentary: Array, short_term: Array, most: int) -> tuple[int, Array]:
    """Short-term loudness in each step of whole seconds: the loudest 3 s that end in it (at first, 400 ms)."""
    seconds = -(-momentary.size // 10)
    step = max(1, -(-seconds // most))
    hops = np.arange(short_term.size) + 30  # the hop of 100 ms with which each ends
    found = []
    for at in range(0, momentary.size, 10 * step):
        ended = short_term[(hops > at) & (hops <= at + 10 * step)]
        powers = ended if ended.size else momentary[at : at + 10 * step]
        found.append(max(SILENT_DB, loudness_of(float(powers.max() if ended.size else powers.mean()))))
    return step, np.array(found)


def _coarse(rows: Array, step: int) -> Array:
    """Sums over steps of the curve: sketches add up."""
    return np.array([rows[at : at + step].sum(axis=0) for at in range(0, len(rows), step)]).reshape(-1, LINES)


def in_one_line(values: Array) -> str:
    """Levels as text: a line in a diff, not thirty."""
    return " ".join(f"{max(SILENT_DB, float(value)):.2f}" for value in values)


def from_one_line(text: str) -> Array:
    """The levels again. Raises ValueError."""
    return np.array([float(word) for word in text.split()])


def packed(sketch: Array) -> str:
    """A sketch as text."""
    return base64.b64encode(np.ascontiguousarray(sketch, dtype="<f4").tobytes()).decode()


def unpacked(text: str) -> Array:
    """The sketch again. Raises ValueError."""
    values = np.frombuffer(base64.b64decode(text, validate=True), dtype="<f4").astype(np.float64)
    return values.reshape(-1, LINES)
