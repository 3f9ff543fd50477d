"""Two renders into one folder and one store neither wait nor mix."""

from __future__ import annotations

import json
from pathlib import Path

from tests import program
from tests.songs import DELIVERED


def test_two_runs_into_one_folder_neither_wait_nor_mix(place, tmp_path):
    """Two recipes' renders into one folder and store at once: each file is the one or the other, whole."""
    loud = DELIVERED.replace("target_lufs = -30", "target_lufs = -27")
    Path("loud.recipe.toml").write_text(loud)
    alone = {}
    for name in ("song", "loud"):
        alone_in = ("-o", f"alone-{name}", "--quiet", "--store", "kept")
        assert program.run_as_process("render", f"{name}.recipe.toml", *alone_in).code == 0
        alone[name] = {
            path.name: path.read_bytes() for path in Path(f"alone-{name}").iterdir() if path.suffix != ".json"
        }
    for _ in range(3):
        runs = [
            program.start("render", f"{name}.recipe.toml", "-o", "both", "--quiet", "--store", "kept")
            for name in ("song", "loud")
        ]
        assert [program.ended(one).code for one in runs] == [0, 0]
        for path in Path("both").iterdir():
            if path.suffix == ".json":
                json.loads(path.read_text())
            else:
                assert path.read_bytes() in (alone["song"][path.name], alone["loud"][path.name])
