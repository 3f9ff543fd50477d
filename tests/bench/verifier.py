"""Checks the verifier itself: seeded changes of the demo recipe, and whether it sees them and names where they begin.

python -m tests.bench.verifier [N]
"""

from __future__ import annotations

import sys

from tests.verify.mutations import run, table_of

if __name__ == "__main__":
    count = next((int(one) for one in sys.argv[1:] if one.isdigit()), 64)
    done = run(count)
    for line in table_of(done):
        print(f"| {line[0]} | {line[1]} |")
    for one in done:
        if not one.right or (one.failed and not one.named):
            print(
                f"  {one.change.name}: residual {one.residual_lu:.1f} LU, reported {one.failed}, {one.node} for {one.change.node}"
            )
