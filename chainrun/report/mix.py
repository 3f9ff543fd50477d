"""The page of a render: delivered files, signal flow, and the work of each step."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import closing
from pathlib import Path

from chainrun.audiofile import read_header
from chainrun.contract import Step
from chainrun.delivery import RenderResult
from chainrun.delivery.result import DeliveryResult
from chainrun.engine.node import node_source
from chainrun.engine.remarks import remarks
from chainrun.engine.result import NodeResult
from chainrun.measured import range_text
from chainrun.plan import Node
from chainrun.recipe import Opened
from chainrun.report import graph
from chainrun.report.content import Block, DataTable, Figure, Page, Player, Players, Section, Text, listed, number
from chainrun.report.page import PagePlace
from chainrun.report.players import as_mp3
from chainrun.report.sounds import (
    DrawnSound,
    bands_figure,
    blocks_of,
    file_blocks,
    hear,
    image_figures,
    loudness_figure,
    wave_figure,
)
from chainrun.report.steps import busiest, curve_figures, reading_figure, response_figure, walk
from chainrun.store.prints import Print, PrintSource

CLOSE_S = 3.0
"""Length of the figure that shows single hits."""
WORKED_DB = 0.3
"""A step that reduces the gain by less gets no figure."""


def mix_page(opened: Opened, result: RenderResult, place: PagePlace) -> Page:
    """The page of a render; the mix itself is put beside it as MP3."""
    plan, prints = result.plan, result.prints
    cautions, notes = _cautions_and_notes(result)
    sections = [*listed("failure", result.failures), *listed("caution", cautions)]
    sections += [_deliveries(opened, result, place), Section("Signal flow", [graph.picture(plan)])]
    sections.append(Section("Stems, buses, main", [_node_table(result)]))
    for word, kind in (("Stems", "stem"), ("Buses", "bus"), ("Main", "main")):
        inner = [
            _node_section(opened, node, result, prints)
            for node in plan.nodes
            if node.kind == kind and node.name in prints
        ]
        if inner:
            sections.append(Section(f"{word}, step by step", [], inner))
    sections += listed("note", notes)
    title = opened.recipe.title or opened.name
    about = f"{opened.name}, {result.length_s:.1f} s at {result.rate_hz} Hz" + (
        f", variant {opened.variant}" if opened.variant else ""
    )
    return Page(title, about, sections, facts(result))


def _cautions_and_notes(result: RenderResult) -> tuple[list[str], list[str]]:
    """The warnings of a render: those that should worry, and those that inform."""
    should_worry = {problem.text() for problem in result.plan.problems}
    should_worry.update(remarks(result.plan, {node.name: node for node in result.nodes}))
    should_worry.update(text for one in result.deliveries for text in one.cautions)
    cautions = [text.removeprefix("caution, ") for text in result.warnings if text in should_worry]
    return cautions, [text for text in result.warnings if text not in should_worry]


def facts(result: RenderResult) -> list[tuple[str, str]]:
    """Versions and hashes."""
    found = [("chainrun", result.engine), ("recipe", result.recipe), ("recipe hash", result.recipe_hash)]
    return found + [(f"samples of {Path(one.file).name}", one.pcm_sha256) for one in result.deliveries]


def _deliveries(opened: Opened, result: RenderResult, place: PagePlace) -> Section:
    rows = []
    for one in result.deliveries:
        m = one.measured
        rows.append(
            [
                Path(one.file).name,
                number(m.integrated_lufs),
                range_text(m.range_lu, m.n_frames, m.rate_hz),
                number(m.true_peak_dbtp, 2),
                f"{one.gain_db:+.2f}",
                number(m.correlation, 2),
                f"{m.n_frames / m.rate_hz:.2f}",
            ]
        )
    head = [
        "file",
        "loudness LUFS",
        "loudness range LU",
        "true peak dBTP",
        "delivery gain dB",
        "correlation",
        "length s",
    ]
    blocks: list[Block] = [Text(opened.recipe.note)] if opened.recipe.note else []
    blocks.append(DataTable(head, rows, "Measurements of the delivered files"))
    if result.deliveries:
        blocks += _first(result.deliveries[0], place)
    return Section("Delivered files", blocks)


def _first(delivery: DeliveryResult, place: PagePlace) -> list[Block]:
    path = Path(delivery.file)
    header = read_header(path)
    if header.n_channels > 2:
        return []
    sound = hear(file_blocks(path), header.rate_hz, header.n_channels)
    blocks: list[Block] = []
    about = f"{sound.measured.integrated_lufs:.1f} LUFS; check your listening level first"
    listened = as_mp3(path, place.folder / "audio" / f"{path.stem}.mp3")
    blocks.append(Players("The mix", [Player(path.name, [listened], about)]))
    blocks += [loudness_figure("loudness", sound, delivery.target_lufs), wave_figure("wave", sound)]
    blocks.append(
        bands_figure("bands", "Third octaves of the mix", [(path.name, sound.measured.third_octave_db or {})])
    )
    return blocks + list(image_figures("image", sound))


def _node_table(result: RenderResult) -> DataTable:
    rows = []
    for node in result.nodes:
        m = node.measured
        working = max((one.gain_reduction_max_db for one in node.readings), default=None)
        rows.append(
            [
                node.name,
                node.kind,
                number(m.sample_peak_dbfs),
                number(m.integrated_lufs),
                number(working),
                f"{node.seconds:.2f}",
                "cached" if node.from_store else "rendered",
            ]
        )
    head = [
        "node",
        "kind",
        "sample peak dBFS",
        "loudness LUFS",
        "maximum gain reduction dB",
        "render time s",
        "print",
    ]
    return DataTable(head, rows, "All nodes, in the order of the plan")


def _node_section(opened: Opened, node: Node, result: RenderResult, prints: Mapping[str, Print]) -> Section:
    recipe = opened.recipe
    strip = {**recipe.stems, **recipe.buses}.get(node.name)
    chain: list[Step] = list((strip or recipe.main).chain)
    names = [named.removeprefix("chain.") for _, named in node.addresses]
    note = strip.note if strip is not None else recipe.main.note
    blocks: list[Block] = [Text(note, "note")] if note else []
    with closing(node_source(node, prints, 0)) as before:
        n = max(before.n_frames, prints[node.name].n_frames)
        raw = hear(blocks_of(before, n), node.rate_hz, before.n_channels, every=8)
    with closing(PrintSource(prints[node.name])) as source:
        after = hear(blocks_of(source, source.n_frames), node.rate_hz, source.n_channels, every=8)
    if chain:
        rows = [[name, step.do, step.in_words(), step.note or ""] for name, step in walk(chain, names)]
        blocks.append(DataTable(["step", "processor", "in words", "note"], rows, f"Chain of {node.name}"))
    rendered = next((one for one in result.nodes if one.name == node.name), None)
    if rendered is not None and rendered.wet_levels:
        wet = [
            [one.named.removeprefix("chain."), number(one.wet_to_dry_db), f"{one.mix_pct:g}"]
            for one in rendered.wet_levels
        ]
        title = f"Wet levels of {node.name}, before wet and dry are mixed"
        blocks.append(DataTable(["step", "wet level relative to dry dB", "share of wet %"], wet, title))
    blocks += _step_figures(node, chain, names, rendered, raw=raw, after=after)
    bands = [
        ("before the chain", raw.measured.third_octave_db or {}),
        ("after the chain", after.measured.third_octave_db or {}),
    ]
    if chain and raw.measured.n_frames:
        blocks.append(
            bands_figure(f"{node.name}-bands", f"{node.name}: third octaves before and after the chain", bands)
        )
    return Section(node.name, blocks)


def _step_figures(
    node: Node, chain: list[Step], names: list[str], rendered: NodeResult | None, *, raw: DrawnSound, after: DrawnSound
) -> list[Figure]:
    found: list[Figure] = []
    length = raw.wave.high.size / raw.wave.per_second
    for reading in rendered.readings if rendered is not None else ():
        if abs(reading.gain_reduction_max_db) < WORKED_DB:
            continue
        name = f"{node.name}-{len(found)}"
        title = f"{node.name}, {reading.named.removeprefix('chain.')}"
        waves = (raw.wave, after.wave, reading)
        found.append(reading_figure(f"{name}-whole", f"{title}: whole session", *waves, begin_s=0.0, end_s=length))
        if length > 1.5 * CLOSE_S:
            begin = busiest(reading, CLOSE_S)
            found.append(
                reading_figure(
                    f"{name}-close",
                    f"{title}: the {CLOSE_S:g} s in which the gain moves most",
                    *waves,
                    begin_s=begin,
                    end_s=begin + CLOSE_S,
                )
            )
    for called, step in walk(chain, names):
        file = f"{node.name}-{len(found)}"
        if step.picture == "response":
            found.append(response_figure(file, f"{node.name}, {called}: response", step, node.rate_hz))
        elif step.picture == "curve":
            found += curve_figures(file, f"{node.name}, {called}", step, node.rate_hz)
    return found
