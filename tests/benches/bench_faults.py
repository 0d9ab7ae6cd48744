"""I make every single call of every writing command fail, by hand: python tests/benches/bench_faults.py [COMMAND ...].

Prints how many calls there were, how many times the command ended in words, and 0 lost, altered or half-written files;
anything else stops me with an error.
"""

from __future__ import annotations

import search_path  # noqa: F401  # first: the search path

import sys
import tempfile
from pathlib import Path

import joined
from house.test_faults_writing import WRITERS, doing, fail_in_turn
from small_jobs import JOBS


def main() -> None:
    """One line for each command."""
    total = refused = 0
    for name in sys.argv[1:] or WRITERS:
        with tempfile.TemporaryDirectory() as folder:
            inputs = Path(folder) / "in"
            inputs.mkdir()
            job = JOBS[name](inputs)
            before = joined.hashes_of(list(job.reads))
            told = fail_in_turn(doing(job.words), Path(folder), most=10_000)
            tried = len([path for path in Path(folder).iterdir() if path.name.startswith("out-")])
            if joined.hashes_of(list(job.reads)) != before:
                raise SystemExit(f"{name}: an original was altered")
            total, refused = total + tried, refused + told
            print(
                f"{name:12} {tried:4} calls made to fail, {told:4} ended in words, 0 half-written, 0 altered",
                flush=True,
            )
    print(f"{total} calls, {refused} refusals")


if __name__ == "__main__":
    main()
