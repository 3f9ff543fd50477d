"""Small preset libraries and plans for them, written and compared."""

from __future__ import annotations

import json

import tomli_w

from chainrun.library.shelf import Shelf

RATE = 48000


def preset(folder, name, chain, **more):
    path = folder / f"{name}.preset.toml"
    path.parent.mkdir(parents=True, exist_ok=True)
    text = "".join(f"{key} = {json.dumps(value)}\n" for key, value in more.items())
    path.write_text(f"grammar = 1\n# somebody's comment\n{text}{tomli_w.dumps({'chain': chain})}")
    return path


def steps(tmp_path, *chain):
    preset(tmp_path, "x", list(chain), since=2020)
    return Shelf([tmp_path]).steps("x")


# -- a band's three years ----------------------------------------------------------------------------------------------

BELL = {"do": "eq", "name": "eq", "bands": [{"kind": "bell", "freq_hz": 200, "gain_db": 3}]}


def plan_file(band, text=""):
    path = band / "2026.cull.toml"
    path.write_text(
        'grammar = 1\nyear = 2026\npresets_dirs = ["library"]\nrecipes = ["songs/*.recipe.toml"]\n'
        + (
            text
            or '[[preset]]\nname = "kick/old"\ndecision = "replace"\nby = "kick/new"\n[[preset]]\nname = "snare/box"\ndecision = "retire"\n'
        )
    )
    return path


def snapshot(folder):
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*.toml"))}


class KilledError(Exception):
    pass
