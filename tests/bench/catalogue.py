"""How many twins of a generated preset library `alike` finds; and how long a plan takes for 200 recipes.

python -m tests.bench.catalogue           twins found, false pairs
python -m tests.bench.catalogue --plan    200 recipes, 60 presets
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile
import tomli_w

from chainrun.cli import app
from chainrun.library.shelf import Shelf
from tests.cull.catalogue import found
from tests.signals import RATE


def write_recipes(folder: Path, names: list[str], n: int) -> None:
    """n recipes with small stems, each of which uses six presets."""
    rng = np.random.default_rng(0)
    folder.mkdir(parents=True, exist_ok=True)
    for k in range(6):
        soundfile.write(folder / f"s{k}.wav", rng.standard_normal(4800) * 0.1, RATE)
    for i in range(n):
        stems = {
            f"s{k}": {"file": f"s{k}.wav", "chain": [{"preset": names[int(rng.integers(len(names)))]}]}
            for k in range(6)
        }
        table = {"grammar": 1, "presets_dirs": ["../library"], "stems": stems}
        (folder / f"song{i:03}.recipe.toml").write_text(tomli_w.dumps(table))


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        (root / ".chainrun-root").touch()
        store = root / "store"
        for line in found(root / "library", store):
            print(f"| {line[0]} | {line[1]} |")
        if "--plan" in sys.argv:
            shelf = Shelf([root / "library"])
            write_recipes(root / "songs", list(shelf.presets), 200)
            for word in ("first", "again"):
                begin = time.perf_counter()
                code = app.main(
                    [
                        "cull",
                        "plan",
                        "--presets",
                        str(root / "library"),
                        "--recipes",
                        str(root / "songs" / "*.recipe.toml"),
                        "-o",
                        str(root / f"{word}.cull.toml"),
                        "--store",
                        str(store),
                    ]
                )
                print(f"plan, {word}: exit {code}, {time.perf_counter() - begin:.1f} s")
