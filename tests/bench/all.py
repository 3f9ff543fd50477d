"""Every table of DEVELOPERS.md anew, one after another: about half an hour. `--short` leaves out what takes minutes.

python -m tests.bench.all [--short]
"""

from __future__ import annotations

import os
import subprocess
import sys
import time

from tests.signals import ROOT

SHORT = [
    ["tests.bench", "--markdown"],
    ["tests.bench.meter"],
    ["tests.bench.startup"],
    ["tests.bench.session"],
    ["tests.bench.survey", "--speed"],
    ["tests.bench.determinism"],
]
LONG = [
    ["tests.bench.session", "--long"],
    ["tests.bench", "saturation"],
    ["tests.bench", "eq_shape"],
    ["tests.bench.survey"],
    ["tests.bench.catalogue", "--plan"],
    ["tests.bench.verifier", "64"],
]


def main() -> int:
    wanted = SHORT if "--short" in sys.argv else [*SHORT[:3], *SHORT[4:], *LONG]
    # What a machine is told about its processor, it may be told wrongly: benches go by what is there.
    environment = {k: v for k, v in os.environ.items() if k not in ("OPENBLAS_CORETYPE", "OPENBLAS_L2_SIZE")}
    failed = 0
    print(f"{time.strftime('%Y-%m-%d')}, Python {sys.version.split()[0]}, {os.cpu_count()} processors")
    for arguments in wanted:
        print(f"\n## python -m {' '.join(arguments)}\n", flush=True)
        failed += subprocess.run([sys.executable, "-m", *arguments], cwd=ROOT, env=environment).returncode != 0
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
