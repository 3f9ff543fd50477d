"""One recipe rendered in different ways: other workers, blocks, stores, BLAS kernels and Pythons; and their difference."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import soundfile

from tests import program
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
    arguments = [
        str(ROOT / "recipes" / f"{recipe}.recipe.toml"),
        str(folder / "out"),
        str(workers),
        str(block),
        store,
    ]
    env = program.environment(**more)
    ran = program.run_as_process(RENDER, *arguments, command=(python, "-c"), cwd=ROOT, env=env, seconds=3600)
    if ran.code:
        raise RuntimeError(ran.err[-800:])
    return folder / "out"


def files(out: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted((out / "usual").rglob("*")) if path.is_file()}


def apart_dbfs(one: Path, other: Path) -> float:
    """The largest difference of the mains, in dBFS."""
    a, b = (soundfile.read(out / "wide" / "wide.wav")[0] for out in (one, other))
    n = min(len(a), len(b))
    largest = float(np.abs(a[:n] - b[:n]).max()) + float(
        max(np.abs(a[n:]).max(initial=0.0), np.abs(b[n:]).max(initial=0.0))
    )
    return 20 * np.log10(largest) if largest > 0 else -np.inf
