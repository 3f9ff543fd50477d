"""One recipe rendered in every way: which ways give the same samples, and how far the others differ.

python -m tests.bench.determinism [PYTHON …]    other Pythons, each with chainrun installed
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np

from tests.engine.ways import RECIPES, apart_dbfs, files, rendered


def main(pythons: list[str]) -> int:
    ways: list[tuple[str, dict]] = [
        ("again", {}),
        ("2 workers", {"workers": 2}),
        ("blocks of 4,801 frames", {"block": 4801}),
        ("blocks of 262,144 frames", {"block": 262_144}),
        ("into a fresh store", {"store": "kept"}),
        ("from kept prints", {"store": "kept"}),
        ("BLAS for Prescott (SSE3)", {"OPENBLAS_CORETYPE": "Prescott"}),
        ("BLAS for SkylakeX (AVX-512)", {"OPENBLAS_CORETYPE": "SkylakeX"}),
        *((f"another Python: {Path(one).parent.parent.name}", {"python": one}) for one in pythons),
    ]
    print(
        f"| against one worker, Python {sys.version.split()[0]} | same files | largest difference of a main, dBFS |\n| --- | --- | --- |"
    )
    wrong = 0
    with tempfile.TemporaryDirectory(prefix="chainrun-determinism-") as name:
        folder = Path(name)
        first = {recipe: rendered(recipe, folder / "first" / recipe) for recipe in RECIPES}
        for i, (told, how) in enumerate(ways):
            same, largest_db = 0, -np.inf
            for recipe in RECIPES:
                named = {**how, "store": str(folder / "kept" / recipe)} if how.get("store") else how
                out = rendered(recipe, folder / str(i) / recipe, **named)
                same += files(out) == files(first[recipe])
                largest_db = max(largest_db, apart_dbfs(first[recipe], out))
            print(f"| {told} | {same} of {len(RECIPES)} | {largest_db:.0f} |", flush=True)
            wrong += largest_db > -120
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
