"""What a print's hash is made of: all that determines its sound, and nothing else."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from chainrun.json_hash import json_hash, short_hash
from chainrun.plan.nodes import Input, KeyInput, Node


def node_identity(node: Node, sounding: list[Any], hashes: Mapping[str, str], surroundings: Mapping[str, Any]) -> str:
    """Hash of all that determines the print: resolved chain, inputs' content, rate, surroundings."""

    def source(one: Input) -> dict[str, Any]:
        return {**one.__dict__, "node": hashes[one.node]}

    def key_source(one: KeyInput) -> dict[str, Any]:
        if one.tap == "chain":
            return {"print": hashes[one.node]}
        return {
            "stem": one.stem.identity() if one.stem else None,
            "inputs": [source(inner) for inner in one.inputs],
        }

    described = {
        **surroundings,
        "kind": node.kind,
        "stem": node.stem.identity() if node.stem else None,
        "inputs": [source(one) for one in node.inputs],
        "chain": sounding,
        "keys": [[key, [key_source(one) for one in sources]] for key, sources in node.keys],
        "key_hit_levels": node.key_hit_levels,
        "hit_level_dbfs": node.hit_level_dbfs,
        "rate_hz": node.rate_hz,
        "pan_law_db": node.pan_law_db,
        "tempo_bpm": node.tempo_bpm,
        "tail_max_s": node.tail_max_s,
        "session_s": node.session_s if node.kind != "stem" else None,
    }
    return json_hash(described)


def chain_hash(chain: Any) -> str:
    """A preset's identity: its chain as it is written, whatever its status and prose."""
    return short_hash(sounding_part(chain))


def sounding_part(value: Any) -> Any:
    """A chain without what changes no sound: notes, and names (which only address)."""
    if isinstance(value, dict):
        return {key: sounding_part(inner) for key, inner in value.items() if key not in ("name", "note")}
    if isinstance(value, list | tuple):
        return [sounding_part(inner) for inner in value]
    return value
