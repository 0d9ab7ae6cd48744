"""I run the full study of `check` by hand: every fault planted four times, twenty good sets.

    python tests/benches/bench_inspection.py [first number]

Out: misses, false alarms and shares on standard output. A run takes some four minutes on two cores.
"""

from __future__ import annotations

import search_path  # noqa: F401  # first: the search path

import sys
import tempfile
from pathlib import Path

import synthetic_captures as captures
from inspection.test_inspection import FOLLOWS, _faults

from stitchbed.pipelines.check import check

TIMES, GOOD = 4, 20
# good sets come from scanners of several kinds: usual, quiet and soft, noisy, sharp
SCANNERS = tuple(captures.Scanner(blur=b, noise=n) for b, n in ((0.45, 1.2), (1.0, 0.35), (0.7, 2.2), (0.3, 0.6)))


def found(pieces: list[captures.Piece]) -> dict[str | None, dict[str, str]]:
    """Faults per piece (None: the set)."""
    with tempfile.TemporaryDirectory() as folder:
        return _faults(check(captures.write_pieces(Path(folder), pieces)))


def main(first: int) -> None:
    """Run and print."""
    named = alarms = total = clean = 0
    for fault in captures.FAULTS:
        for seed in range(first, first + TIMES):
            pieces, where = captures.planted(fault, seed)
            faults = found(pieces)
            hit = fault in faults[where]
            other = {k: set(v) for k, v in faults.items() if k != where and set(v) - FOLLOWS.get(fault, set())}
            named, total, alarms = named + hit, total + 1, alarms + bool(other)
            if not hit or other:
                print(f"{fault} {seed}: {'named' if hit else 'MISSED'} {faults[where]} elsewhere {other}")
    for seed in range(first + 1000, first + 1000 + GOOD):
        scanner = SCANNERS[seed % len(SCANNERS)]
        faults = found(captures.good_set(seed, scanners=dict.fromkeys(range(4), scanner)))
        clean += not any(faults.values())
        if any(faults.values()):
            print(f"good set {seed}: {faults}")
    print(f"{named} of {total} faults named on the right piece ({100 * named / total:.0f} %)")
    print(
        f"{alarms} of {total} faulty sets with a finding elsewhere; {GOOD - clean} of {GOOD} good sets with any finding"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
