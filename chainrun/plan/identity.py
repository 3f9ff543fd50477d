"""Hashes of prints, recipes and presets, from everything that determines their sound and nothing else."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from chainrun.json_hash import json_hash, short_hash
from chainrun.plan.nodes import Input, KeyInput, Node, StemInput
from chainrun.plan.surroundings import Surroundings
from chainrun.recipe import Recipe


def node_identity(node: Node, sounding: list[Any], hashes: Mapping[str, str], surroundings: Surroundings) -> str:
    """Hash of everything that determines a print: resolved chain, content of inputs, rate, surroundings."""

    def source(one: Input) -> dict[str, object]:
        return {**one.__dict__, "node": hashes[one.node]}

    def key_source(one: KeyInput) -> dict[str, object]:
        if one.tap == "after_chain":
            return {"print": hashes[one.node]}
        return {
            "stem": one.stem.identity() if one.stem else None,
            "inputs": [source(inner) for inner in one.inputs],
        }

    stream = node.stream
    described = {
        **vars(surroundings),
        "kind": node.kind,
        "stem": node.stem.identity() if node.stem else None,
        "inputs": [source(one) for one in node.inputs],
        "chain": sounding,
        "keys": [[key.model_dump(by_alias=True), [key_source(one) for one in sources]] for key, sources in node.keys],
        "key_hit_levels": [stream.key_hit_levels.get(key) for key, _ in node.keys],
        "hit_level_dbfs": stream.hit_level_dbfs,
        "rate_hz": stream.rate_hz,
        "pan_law_db": stream.pan_law_db,
        "tempo_bpm": stream.tempo_bpm,
        "max_tail_s": node.max_tail_s,
        "session_s": node.session_s if node.kind != "stem" else None,
    }
    return json_hash(described)


def part_identity(node: Node, begin_frame: int, to_s: float) -> str:
    """Hash of the print of a stretch, from the whole print's hash and the stretch."""
    return hashlib.sha256(f"{node.identity} {begin_frame} {to_s!r}".encode()).hexdigest()


def labels_hash(name: str, addresses: Sequence[tuple[str, str]], chain: Sequence[Mapping[str, Any]]) -> str:
    """Hash of the names in a print's readings and notes: they do not change the sound, but must match the recipe."""
    text = json.dumps([name, addresses, list(_names(chain))])
    return hashlib.sha256(text.encode()).hexdigest()


def _names(value: Any) -> Iterator[str]:
    if isinstance(value, Mapping):
        if "do" in value:
            yield str(value.get("name"))
        for inner in value.values():
            yield from _names(inner)
    elif isinstance(value, list | tuple):
        for inner in value:
            yield from _names(inner)


def recipe_hash(recipe: Recipe, stems: Mapping[str, StemInput]) -> str:
    """Hash of the resolved recipe and of its stems' content, independent of paths."""
    resolved = recipe.model_dump(
        exclude={
            "title": True,
            "note": True,
            "base": True,
            "stems_dir": True,
            "presets_dirs": True,
            "expect": True,
        }
    )
    content = {name: [part.content for part in stem.parts] for name, stem in stems.items()}
    return json_hash([resolved, content])


def chain_hash(chain: Any) -> str:
    """Identity of a preset: hash of its chain as written, independent of its status and texts."""
    return short_hash(sounding_part(chain))


def sounding_part(value: Any) -> Any:
    """Copy of a chain without notes and names, which do not change the sound."""
    if isinstance(value, dict):
        return {key: sounding_part(inner) for key, inner in value.items() if key not in ("name", "note")}
    if isinstance(value, list | tuple):
        return [sounding_part(inner) for inner in value]
    return value
