"""A generated preset library with known truth: twins that sound the same with other numbers, and forty that do not."""

from __future__ import annotations

from pathlib import Path

import tomli_w

from chainrun.library.alike import clusters, pairs, profiles
from chainrun.library.shelf import Shelf

RATE = 48000


def eq(*bands, **more):
    return {
        "do": "eq",
        "bands": [dict(zip(("kind", "freq_hz", "gain_db", "q"), band, strict=False)) for band in bands],
        **more,
    }


def compressor(**more):
    return {"do": "compressor", "threshold_dbfs": -24, "ratio": 3, "attack_ms": 7, "release_ms": 90} | more


TWINS = {
    "eq order": ([eq(("bell", 200, 3, 1.0)), eq(("bell", 3000, -4, 1.5))], [eq(("bell", 3000, -4, 1.5)), eq(("bell", 200, 3, 1.0))]),
    "one eq or two": ([eq(("bell", 90, 4, 1.2), ("high_shelf", 6000, 2, 0.7))], [eq(("bell", 90, 4, 1.2)), eq(("high_shelf", 6000, 2, 0.7))]),
    "cookbook low": ([eq(("bell", 120, 5, 1.0), design="bilinear")], [eq(("bell", 120, 5, 1.0))]),
    "attack 7.2": ([compressor()], [compressor(attack_ms=7.2)]),
    "release 92": ([compressor(ratio=4, release_ms=90)], [compressor(ratio=4, release_ms=92)]),
    "makeup or gain": ([compressor(ratio=5, makeup_db=4)], [compressor(ratio=5), {"do": "gain", "gain_db": 4}]),
    "level only": ([eq(("high_shelf", 9000, 5, 0.7)), {"do": "gain", "gain_db": 3}], [eq(("high_shelf", 9000, 5, 0.7))]),
    "threshold 0.3": ([compressor(threshold_dbfs=-30, ratio=2)], [compressor(threshold_dbfs=-29.8, ratio=2)]),
    "drive": ([{"do": "saturate", "curve": "tanh", "drive_db": 9.0}], [{"do": "saturate", "curve": "tanh", "drive_db": 9.15}]),
    "gate hold": ([{"do": "gate", "threshold_dbfs": -34, "range_db": 40, "hold_ms": 60, "release_ms": 100}], [{"do": "gate", "threshold_dbfs": -34.2, "range_db": 40, "hold_ms": 61, "release_ms": 100}]),
    "cut 80": ([eq(("low_cut", 80)), compressor(ratio=2.5, threshold_dbfs=-20)], [eq(("low_cut", 80.5)), compressor(ratio=2.5, threshold_dbfs=-20)]),
    "note": ([eq(("bell", 700, -6, 2.0)), compressor(threshold_dbfs=-18)], [eq(("bell", 700, -6, 2.02)), compressor(threshold_dbfs=-18, note="the same")]),
}  # fmt: skip


def distinct() -> dict[str, list]:
    """Forty that sound different, some with nearly the same numbers."""
    made = {
        "bell 80": [eq(("bell", 80, 6, 1.0))],
        "bell 160": [eq(("bell", 160, 6, 1.0))],
        "threshold -26": [compressor(threshold_dbfs=-26, ratio=6)],
        "threshold -20": [compressor(threshold_dbfs=-20, ratio=6)],
        "threshold -14": [compressor(threshold_dbfs=-14, ratio=6)],
        "attack 1": [compressor(threshold_dbfs=-28, ratio=8, attack_ms=1)],
        "attack 20": [compressor(threshold_dbfs=-28, ratio=8, attack_ms=20)],
        "release 30": [compressor(threshold_dbfs=-28, ratio=8, attack_ms=3, release_ms=30)],
        "release 400": [compressor(threshold_dbfs=-28, ratio=8, attack_ms=3, release_ms=400)],
    }
    for k, hz in enumerate((320, 640, 1300, 2600, 5200)):
        made[f"boost {hz}"] = [eq(("bell", hz, 6, 1.0))]
        made[f"cut {hz}"] = [eq(("bell", hz, -6, 1.0))]
        made[f"low cut {hz}"] = [eq(("low_cut", hz / 2))]
        made[f"drive {hz}"] = [
            {
                "do": "saturate",
                "curve": ("tanh", "cubic", "arctangent", "sine_fold", "hard_clip")[k],
                "drive_db": 14.0 + k,
            }
        ]
    for ms in (30, 55, 90):
        made[f"delay {ms}"] = [{"do": "delay", "time_ms": ms}]
        made[f"echo {ms}"] = [{"do": "echo", "time_ms": ms, "mix_pct": 40}]
    for decay in (0.3, 0.8, 1.8):
        made[f"room {decay}"] = [{"do": "room", "decay_s": decay, "mix_pct": 40}]
    made["gate -20"] = [{"do": "gate", "threshold_dbfs": -20, "range_db": 60}]
    made["gate -32"] = [{"do": "gate", "threshold_dbfs": -32, "range_db": 60}]
    assert len(made) == 40, len(made)
    return made


def write_library(folder: Path) -> list[set[str]]:
    """Write all presets; returns the sets of twins."""
    folder.mkdir(parents=True, exist_ok=True)
    twins = []
    everything = {f"own/{name.replace(' ', '-').replace('.', '_')}": chain for name, chain in distinct().items()}
    for name, both in TWINS.items():
        word = name.replace(" ", "-").replace(".", "_")
        names = {f"twins/{word}-{k}": chain for k, chain in enumerate(both)}
        twins.append(set(names))
        everything |= names
    for k, (name, chain) in enumerate(everything.items()):
        path = folder / f"{name}.preset.toml"
        path.parent.mkdir(exist_ok=True)
        path.write_text(tomli_w.dumps({"grammar": 1, "about": name, "since": 2018 + k % 7, "chain": chain}))
    return twins


def found(folder: Path, store: Path | None = None) -> list[tuple[str, str]]:
    """How many twins are found, and how many false pairs."""
    twins = write_library(folder)
    shelf = Shelf([folder])
    near = [one for one in pairs(profiles(shelf, list(shelf.presets), store)) if one.alike]
    right = sum(any({one.one, one.other} == pair for pair in twins) for one in near)
    groups = clusters(near)
    return [
        ("presets", str(len(shelf.presets))),
        ("twins found", f"{right} of {len(twins)}"),
        ("false pairs", f"{len(near) - right} of {len(near)}"),
        ("groups", str(len(groups))),
    ]
