"""How long a command takes to start: wall time, the median of 9, beside an empty Python.

python -m tests.bench.startup
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.signals import ROOT

DEMO = str(ROOT / "recipes" / "tithe-barn.recipe.toml")
COMMANDS = {
    "python -c pass": ["-c", "pass"],
    "import chainrun": ["-c", "import chainrun"],
    "chainrun --help": ["-m", "chainrun", "--help"],
    "chainrun check, the demo": ["-m", "chainrun", "check", DEMO],
    "chainrun explain gate": ["-m", "chainrun", "explain", "gate"],
    "chainrun resolve, the demo": ["-m", "chainrun", "resolve", DEMO],
    "chainrun measure, a stem of 10 s": ["-m", "chainrun", "measure", str(ROOT / "fixtures" / "tithe-barn" / "kick.flac")],
    "chainrun verify, the demo, unchanged": ["-m", "chainrun", "verify", DEMO],
}  # fmt: skip
TIMES = 9


def main() -> None:
    with tempfile.TemporaryDirectory(prefix="chainrun-startup-") as name:
        environment = {**os.environ, "CHAINRUN_STORE": str(Path(name) / "store")}
        print("| start-up | s |\n| --- | --- |")
        for told, arguments in COMMANDS.items():
            taken = []
            for turn in range(TIMES + 1):  # The first fills the disk's cache and the store.
                began = time.perf_counter()
                ran = subprocess.run([sys.executable, *arguments], cwd=ROOT, env=environment, capture_output=True)
                if turn:
                    taken.append(time.perf_counter() - began)
                assert ran.returncode == 0, ran.stderr.decode()
            print(f"| {told} | {statistics.median(taken):.2f} |", flush=True)


if __name__ == "__main__":
    main()
