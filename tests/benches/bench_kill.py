"""I kill a join at random moments and start it again, by hand: python tests/benches/bench_kill.py PIECES [TIMES].

Prints, for each kill, whether a file stood under the final name, and whether the restarted job gave the same bytes.
"""

from __future__ import annotations

import search_path  # noqa: F401  # first: the search path

import hashlib
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path


def start(pieces: str, canvas: Path) -> subprocess.Popen[bytes]:
    """One join as a process of its own."""
    command = [sys.executable, "-m", "stitchbed", "join", pieces, "-o", str(canvas), "--quiet"]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)


def main() -> None:
    """Run whole once, then kill and restart."""
    pieces, times = sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 10
    folder = Path(tempfile.mkdtemp())
    canvas = folder / "canvas.tif"
    begun = time.perf_counter()
    if start(pieces, canvas).wait():
        raise SystemExit("the join fails even when left alone")
    whole, truth = time.perf_counter() - begun, hashlib.sha256(canvas.read_bytes()).hexdigest()
    print(f"whole run {whole:.1f} s")
    good = 0
    for _ in range(times):
        shutil.rmtree(folder)
        folder.mkdir()
        child, after = start(pieces, canvas), random.uniform(0.05, 1.0) * whole
        try:
            child.wait(after)
            state = "finished first"
        except subprocess.TimeoutExpired:
            child.send_signal(signal.SIGKILL)
            child.wait()
            state = "killed, final name " + ("PRESENT" if canvas.exists() else "absent")
        again = time.perf_counter()
        code = start(pieces, canvas).wait()
        same = code == 0 and hashlib.sha256(canvas.read_bytes()).hexdigest() == truth
        good += same
        made = ("canvas.tif", "canvas.json", "canvas.residuals.png", "canvas.seams.png")
        left = [path.name for path in folder.iterdir() if path.name not in made]
        print(
            f"after {after:.1f} s: {state}; again {time.perf_counter() - again:.1f} s, same bytes {same}, left {left}",
            flush=True,
        )
    print(f"{good} of {times} restarts gave the same bytes")
    shutil.rmtree(folder)


if __name__ == "__main__":
    main()
