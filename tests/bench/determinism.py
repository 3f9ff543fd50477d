"""The same recipe rendered every way that there is: what the samples are the same for, and how far the others lie apart.

python -m tests.bench.determinism [PYTHON …]    other Pythons, each with chainrun installed
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile

from tests.signals import ROOT

RECIPES = ("tithe-barn", "workshop-kit", "one-microphone", "brushes", "hand-percussion")
RENDER = """
import sys
from pathlib import Path
from chainrun.delivery import RenderOptions, render
from chainrun.plan import build_plan
from chainrun.recipe import Overrides, open_recipe
recipe, out, workers, block, store = sys.argv[1:6]
wide = Path(out).parent / "wide.overlay.toml"
wide.write_text('[[deliver]]\\nfile = "wide.wav"\\nbits = 32\\n')
for overlays, folder in (((), "usual"), ((wide,), "wide")):
    options = RenderOptions(workers=int(workers), store=Path(store) if store else None)
    plan = build_plan(open_recipe(Path(recipe), Overrides(overlays=overlays)), block_frames=int(block))
    render(plan, Path(out) / folder, options)
"""


def rendered(
    recipe: str,
    folder: Path,
    *,
    python: str = sys.executable,
    workers: int = 1,
    block: int = 61_440,
    store: str = "",
    **more: str,
) -> Path:
    """A folder with the recipe's own deliveries (`usual`) and its main as float32 (`wide`)."""
    folder.mkdir(parents=True, exist_ok=True)
    code = [
        python,
        "-c",
        RENDER,
        str(ROOT / "recipes" / f"{recipe}.recipe.toml"),
        str(folder / "out"),
        str(workers),
        str(block),
        store,
    ]
    environment = {**os.environ, "PYTHONPATH": str(ROOT), **more}
    ran = subprocess.run(code, cwd=ROOT, env=environment, capture_output=True, text=True)
    if ran.returncode:
        raise RuntimeError(ran.stderr[-800:])
    return folder / "out"


def files(out: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted((out / "usual").rglob("*")) if path.is_file()}


def apart_dbfs(one: Path, other: Path) -> float:
    """The largest difference of the mains, in dBFS."""
    a, b = (soundfile.read(out / "wide" / "wide.wav")[0] for out in (one, other))
    n = min(len(a), len(b))
    most = float(np.abs(a[:n] - b[:n]).max()) + float(
        max(np.abs(a[n:]).max(initial=0.0), np.abs(b[n:]).max(initial=0.0))
    )
    return 20 * np.log10(most) if most > 0 else -np.inf


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
            same, most = 0, -np.inf
            for recipe in RECIPES:
                named = {**how, "store": str(folder / "kept" / recipe)} if how.get("store") else how
                out = rendered(recipe, folder / str(i) / recipe, **named)
                same += files(out) == files(first[recipe])
                most = max(most, apart_dbfs(first[recipe], out))
            print(f"| {told} | {same} of {len(RECIPES)} | {most:.0f} |", flush=True)
            wrong += most > -120
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
