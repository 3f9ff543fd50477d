"""Runs the fuzz: python -m tests.fuzz [--cases 20000] [--headers 2000] [--seed 0] [--show SEED]."""

from __future__ import annotations

import argparse
import random
import sys

from tests.fuzz import harness, headers, recipes


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--cases", type=int, default=20_000, help="recipes")
    parser.add_argument("--headers", type=int, default=2_000, help="audio files")
    parser.add_argument("--seed", type=int, default=0, help="of the first case")
    parser.add_argument("--every", type=int, default=4, help="every so manyth valid recipe is rendered, too")
    parser.add_argument("--show", metavar="SEED", help="print this recipe, or write this audio file to stdout")
    known = parser.parse_args()
    if known.show is not None:
        kind = "recipes" if known.cases else "headers"
        make = recipes.case if known.cases else headers.case
        sys.stdout.buffer.write(make(random.Random(f"{kind} {known.show}")))
        return 0
    broken = harness.run("recipes", known.cases, known.seed, every=known.every, timed=True, say=print)
    broken += harness.run("headers", known.headers, known.seed, timed=True, say=print)
    for one in broken:
        print(f"{one.kind} {one.seed}: {one.why}")
    print(f"{known.cases} recipes and {known.headers} audio files: {len(broken)} broke a claim")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
