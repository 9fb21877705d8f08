"""Every table of small trials, and 10,000 larger ones, printed and solved: the true table is in the set, the set is brute force.

Run by hand (some minutes): ``python tests/benchmarks/claims_enumerated.py``. The suite runs a sample of it.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "reference"))

from test_reference_claim_desk import agrees_with_brute_force

SIZES = (*range(1, 21), 30, 45, 60)
LARGER = 10_000


def run(smaller: tuple[int, ...] = SIZES, larger: int = LARGER) -> int:
    """Count the tables tried; the first that fails raises."""
    rng, tried = np.random.default_rng(1), 0
    for n1 in smaller:
        for n0 in smaller:
            for a in range(n1 + 1):
                for b in range(n0 + 1):
                    tried += agrees_with_brute_force(n1, n0, a, b, rng)
    for _ in range(larger):
        n1, n0 = (int(n) for n in rng.integers(61, 400, 2))
        tried += agrees_with_brute_force(n1, n0, int(rng.integers(n1 + 1)), int(rng.integers(n0 + 1)), rng)
    return tried


if __name__ == "__main__":
    sys.stdout.write(f"{run():,} tables found again\n")
