"""A structure-aware mutator of recipes: it knows tables, steps, the edges of numbers and the texts of strangers."""

from __future__ import annotations

import copy
import random
from typing import Any

import tomli_w

import chainrun.processors  # noqa: F401
from chainrun.contract import processors
from chainrun.contract.parameters import parameters
from tests.signals import ROOT

STEMS = ("mono.wav", "pair.wav", "hits.flac")
"""Files that the harness puts beside each recipe."""
EDGES = (
    0, 0.0, -0.0, 1, -1, 0.5, 1e308, -1e308, 1e-308, 5e-324, float("inf"), float("-inf"), float("nan"),
    2**31, -(2**31), 2**63 - 1, -(2**63), 1e-9, 99, 100, 101, 48000, 3.0, -120, 120,
)  # fmt: skip
TEXTS = (
    "", " ", "main", "kit", "a", "mono.wav", "../mono.wav", "/dev/zero", "/etc/hostname", "~/x.wav", "a" * 300, "\x1b[31mred",
    "\x07", "\u202e", "é\u0301", "a.b", "{name}", "{recipe}", "{x}", "%s", "stems.*", "buses.*", "no\nlines", "nul", "\\x", '"', "'",
    "x.flac", "x.mp3", "x.ogg", "true", "1e9", "EBU R 128", "kick/close", ".wav", "..", "-", "💥",
)  # fmt: skip
KEYS = (
    "chain", "do", "preset", "set", "name", "bands", "branches", "key", "from", "tap", "file", "to", "sends", "level_db", "pan_pct",
    "at_s", "from_s", "to_s", "shift_samples", "trim_db", "mute", "active", "ride", "what", "target_lufs", "max_dbtp",
    "fit", "bits", "rate_hz", "only", "without", "max_tail_s", "base", "variants", "expect", "bypass", "mix_pct", "note", "nonsense",
    "hit_level_dbfs", "tempo_bpm", "pan_law_db", "stems", "buses", "main", "deliver", "presets_dirs", "stems_dir", "recipe",
)  # fmt: skip


STEREO = ("width", "balance", "overheads/airy")
"""Steps that need a stereo signal."""


def start(rng: random.Random) -> dict[str, Any]:
    """A valid recipe of a few nodes."""

    def stem() -> dict[str, Any]:
        steps = chain(rng, 3)
        if any(step.get("do") in STEREO or step.get("preset") in STEREO for step in steps) and rng.random() < 0.9:
            file: Any = "pair.wav"
        else:
            file = rng.choice(STEMS)
        return {"file": file, "hit_level_dbfs": -6.0, "to": rng.choice(["kit", "main"]), "chain": steps}

    recipe = {
        "grammar": 1,
        "tempo_bpm": 120,
        "presets_dirs": ["presets"],
        "stems": {name: stem() for name in ("a", "b", "c")[: rng.randint(1, 3)]},
        "buses": {"kit": {"chain": chain(rng, 2)}, "hall": {"to": "main", "chain": chain(rng, 1)}},
        "main": {"chain": chain(rng, 1)},
        "deliver": [{"file": "mix.wav", "target_lufs": -20, "max_dbtp": -1}],
    }
    recipe["stems"]["a"]["sends"] = {"hall": -12.0}
    if rng.random() < 0.3:
        recipe["variants"] = {"v": {"stems.a.level_db": -3.0}}
    if rng.random() < 0.3:
        recipe["expect"] = {"integrated_lufs": {"is": -20, "within": 1}}
    return recipe


def chain(rng: random.Random, max_steps: int, depth: int = 0) -> list[Any]:
    """Steps: presets and processors with some of their keys."""
    found: list[Any] = []
    for _ in range(rng.randint(0, max_steps)):
        if rng.random() < 0.15:
            found.append(
                {"preset": rng.choice(["kick/close", "bus/glue", "room/near-walls", "tone/warm", "toms/round"])}
            )
            continue
        word = rng.choice(sorted(processors()))
        step: dict[str, Any] = {"do": word, **copy.deepcopy(dict(processors()[word].example))}
        if word == "branches" and depth < 3:
            step["branches"] = [{"chain": chain(rng, 2, depth + 1)} for _ in range(rng.randint(1, 3))]
        if rng.random() < 0.3:
            known = [p.key for p in parameters(processors()[word])]
            key = rng.choice(known)
            step[key] = (
                within(processors()[word].model_fields[key], rng) if key in processors()[word].model_fields else 1
            )
            if step[key] is None:
                del step[key]
        if word != "split" and rng.random() < 0.2:
            step["mix_pct"] = 50
        found.append(step)
    return found


def within(field: Any, rng: random.Random) -> Any:
    """A number at an end of a field's range or inside it, one of its words; None where it has neither."""
    low = next((bound.ge for bound in field.metadata if hasattr(bound, "ge")), None)
    high = next((bound.le for bound in field.metadata if hasattr(bound, "le")), None)
    if low is not None and high is not None:
        whole = isinstance(field.default, int) and not isinstance(field.default, bool)
        found = rng.choice([low, high, rng.uniform(low, high), low + (high - low) * rng.random() ** 4])
        return round(found) if whole else float(found)
    if isinstance(field.default, bool):
        return not field.default
    words = [word for word in getattr(field.annotation, "__args__", ()) if isinstance(word, str | int)]
    return rng.choice(words) if words else None


def value(rng: random.Random) -> Any:
    """Anything that TOML can hold."""
    kind = rng.randrange(7)
    if kind < 3:
        return rng.choice(EDGES)
    if kind == 3:
        return rng.choice(TEXTS)
    if kind == 4:
        return rng.random() < 0.5
    if kind == 5:
        return [value(rng) for _ in range(rng.choice([0, 1, 2, 2, 3, 8]))]
    return {rng.choice(KEYS): value(rng) for _ in range(rng.randint(0, 2))}


def places(node: Any, found: list[tuple[Any, Any]] | None = None) -> list[tuple[Any, Any]]:
    """Every (table or array, key) of a tree."""
    found = [] if found is None else found
    for key, inner in list(node.items() if isinstance(node, dict) else enumerate(node)):
        found.append((node, key))
        if isinstance(inner, dict | list):
            places(inner, found)
    return found


def mutate(recipe: dict[str, Any], rng: random.Random) -> None:
    """One change: a value, a key, a type, a part taken out, doubled, moved, or nested."""
    known = places(recipe)
    holder, key = rng.choice(known)
    old = holder[key]
    kind = rng.randrange(10)
    if kind < 3:
        if isinstance(old, int | float) and not isinstance(old, bool) and rng.random() < 0.6:
            holder[key] = rng.choice(
                [*EDGES, -old, old * 10, old / 10 if old else 1, old * 1e6, int(old) if abs(old) < 1e9 else 0]
            )
        else:
            holder[key] = value(rng)
    elif kind == 3:
        del holder[key]
    elif kind == 4 and isinstance(holder, dict):
        holder[rng.choice(KEYS)] = value(rng)
    elif kind == 5 and isinstance(holder, dict):
        holder[rng.choice([*KEYS, *TEXTS[:8]])] = holder.pop(key)
    elif kind == 6:
        other, at = rng.choice(known)
        if at in other if isinstance(other, dict) else at < len(other):
            holder[key] = copy.deepcopy(other[at])
    elif kind == 7 and isinstance(holder, list):
        holder.extend(copy.deepcopy([old]) * rng.choice([1, 3, 30]))
    elif kind == 8:
        for _ in range(rng.choice([1, 3, 20])):
            old = {"do": "branches", "branches": [{"chain": [old] if isinstance(old, dict) else []}]}
        holder[key] = [old] if key == "chain" else old
    elif isinstance(old, str):
        holder[key] = rng.choice(TEXTS)
    elif isinstance(old, list):
        old.append(chain(rng, 1))


def scratched(text: str, rng: random.Random) -> bytes:
    """The text with some of its bytes changed, cut, or doubled."""
    data = bytearray(text.encode())
    for _ in range(rng.randint(1, 6)):
        if not data:
            break
        at = rng.randrange(len(data))
        kind = rng.randrange(4)
        if kind == 0:
            data[at] = rng.randrange(256)
        elif kind == 1:
            del data[at : at + rng.choice([1, 4, 40])]
        elif kind == 2:
            data[at:at] = rng.choice(
                [b"[", b"]]", b"{", b'"""', b"=", b"\x00", b"\xff\xfe", b"[[deliver]]\n", b"\r", b"9" * 400]
            )
        else:
            piece = data[at : at + rng.choice([8, 200])]
            data[at:at] = bytes(piece)
    return bytes(data)


def case(rng: random.Random) -> bytes:
    """A recipe that is wrong in some place, or by chance in none."""
    recipe = start(rng)
    for _ in range(rng.choice([0, 1, 1, 2, 2, 3, 5, 12])):
        mutate(recipe, rng)
    try:
        text = tomli_w.dumps(recipe)
    except (TypeError, ValueError, AttributeError, RecursionError):
        text = tomli_w.dumps(start(rng))
    return scratched(text, rng) if rng.random() < 0.2 else text.encode("utf-8", "surrogatepass")


PRESETS = ROOT / "recipes" / "presets"
