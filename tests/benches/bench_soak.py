"""I do many small random jobs in a row in one process, by hand: python tests/benches/bench_soak.py [JOBS] [SEED].

Each job paints a sheet, scans it with random faults, joins it with random settings, now and then with a mishap (a
damaged file, a piece twice, a full disk, a piece that changes), then does some of the other commands with the result.
Every canvas is scored against its sheet; originals' hashes, strays, open files, threads and memory are looked at.
"""

from __future__ import annotations

import search_path  # noqa: F401  # first: the search path

import ctypes
import errno
import gc
import json
import os
import sys
import tempfile
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import joined
import numpy as np
import truth
import verdict
from faulty_disk import Disk, failing
from small_jobs import invoke

import stitchbed
from stitchbed.core.errors import StitchbedError

MISHAPS = ("none", "none", "none", "damaged", "twice", "full disk", "changes", "turned", "stranger")
NEXT = {
    "clean": ("clean", "IN", "-o", "OUT/clean.tif"),
    "lines": ("lines", "IN", "-o", "OUT/lines.tif"),
    "flats": ("flats", "IN", "-o", "OUT/flats.tif"),
    "export": ("export", "IN", "-o", "OUT", "--replace", "--web-px", "200"),
    "check": ("check", "PIECES"),
}


@dataclass
class Tally:
    """What was counted over all jobs."""

    ends: Counter[str] = field(default_factory=Counter)
    rms: list[float] = field(default_factory=list)
    p99: list[float] = field(default_factory=list)
    tone: list[float] = field(default_factory=list)
    covered: list[float] = field(default_factory=list)
    memory: list[float] = field(default_factory=list)
    files: list[int] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)


def painted(
    folder: Path, rng: np.random.Generator, mishap: str
) -> tuple[truth.Floats, list[truth.TrueTile], list[Path]]:
    """A random sheet, its tiles and their files, read-only."""
    rows, cols = (int(v) for v in rng.integers(1, 4, 2))
    rows, cols = (1, 2) if rows * cols == 1 else (rows, cols)
    shape = (int(rng.integers(320, 460)), int(rng.integers(340, 520)))
    faults = truth.Faults(
        gain=float(rng.choice([0, 0.02, 0.05])), tint=float(rng.choice([0, 0.01])), falloff=float(rng.uniform(0, 0.06)),
        noise=float(rng.uniform(0, 0.008)), lift_px=float(rng.choice([0, 0, 12.0])),
        travel_px=(float(rng.uniform(0, 0.3)), float(rng.uniform(0, 0.6))), dust=int(rng.integers(0, 12)),
    )  # fmt: skip
    poses, size = truth.grid_poses(
        rows, cols, shape=shape, overlap=0.3, turn=float(rng.uniform(0, 2)), seed=int(rng.integers(1e6))
    )
    if mishap == "turned":
        middle = poses[-1] @ [(shape[1] - 1) / 2, (shape[0] - 1) / 2, 1]
        poses[-1] = truth.pose(float(middle[0]), float(middle[1]), 180.0, shape=shape)
    sheet = truth.paint_sheet(*size, int(rng.integers(1e6)))
    dtype = str(rng.choice(["uint8", "uint16"]))
    tiles = truth.cut_tiles(sheet, poses, shape=shape, faults=faults, seed=int(rng.integers(1e6)), dtype=dtype)
    paths = truth.write_set(folder, tiles, joined.DPI, truth.SRGB if rng.random() < 0.7 else None)
    for path in paths:
        path.chmod(0o444)
    return sheet, tiles, paths


def words_of(paths: list[Path], rng: np.random.Generator, mishap: str) -> tuple[str, ...]:
    """A random command line."""
    suffix = str(rng.choice([".tif", ".tif", ".tif", ".png"]))
    words = ["join", *map(str, paths), "-o", f"OUT/canvas{suffix}", "--workers", str(int(rng.integers(1, 3)))]
    words += ["--codec", str(rng.choice(["deflate", "zstd", "none"])), "--outside", str(rng.choice(["alpha", "paper"]))]
    words += ["--memory", str(rng.choice(["256MiB", "1GiB"]))]
    words += ["--proof", "OUT/proof.html"] if rng.random() < 0.2 else []
    return (*words, "--allow-unreadable") if mishap == "damaged" else tuple(words)


def one_job(number: int, seed: int, tally: Tally) -> None:
    """Paint, join, score, go on; everything wrong is noted in the tally."""
    rng = np.random.default_rng([seed, number])
    mishap = str(rng.choice(MISHAPS))
    with tempfile.TemporaryDirectory(prefix="soak-") as kept:
        folder, out = Path(kept) / "in", Path(kept) / "out"
        out.mkdir()
        sheet, tiles, paths = painted(folder, rng, mishap)
        before = joined.hashes_of(paths)
        given = list(paths)
        if mishap == "damaged":
            given.append(folder / "damaged.tif")
            given[-1].write_bytes(paths[0].read_bytes()[: int(rng.integers(5, 3000))])
        if mishap == "twice":
            given.append(folder / "again.tif")
            given[-1].write_bytes(paths[0].read_bytes())
        if mishap == "stranger":
            other = truth.make_set(1, 1, seed=int(rng.integers(1e6)), shape=(330, 350))[1]
            given += [path.rename(folder / "stranger.tif") for path in truth.write_set(folder / "x", other, joined.DPI)]
        words = words_of(given, rng, mishap)
        error = run(words, out, paths, mishap, rng)
        end = "done" if error is None else type(error).__name__
        tally.ends[f"{mishap}: {end}"] += 1
        if error is not None and not isinstance(error, StitchbedError):
            tally.wrong.append(f"job {number} ({mishap}): {error!r}")
        if error is None and mishap == "changes":
            tally.wrong.append(f"job {number}: a piece changed and nobody noticed")
        score = ""
        if end == "done":
            score = scored(out, sheet, tiles, tally)
            more(paths, out, rng, tally, number)
        if joined.hashes_of(paths) != before:
            tally.wrong.append(f"job {number}: an original was altered")
        strays = [path.name for path in out.rglob("*") if path.suffix == ".partial" or path.name.startswith(".canvas")]
        if strays and mishap not in ("full disk", "changes"):  # these leave a job folder to go on from
            tally.wrong.append(f"job {number}: left behind {strays}")
        if end != "done" and [path for path in out.iterdir() if path.name.startswith("canvas.t")]:
            tally.wrong.append(f"job {number}: refused, but a canvas is there")
    print(f"{number:3} {len(paths)} pieces, {mishap}: {end} {score}", flush=True)


def run(
    words: tuple[str, ...], out: Path, paths: list[Path], mishap: str, rng: np.random.Generator
) -> Exception | None:
    """The join, with its mishap; what it raised."""
    if mishap == "full disk":
        with failing(Disk(out, int(rng.integers(1, 40)), errno.ENOSPC, True)):
            return invoke(words, out).exception  # type: ignore[return-value]
    if mishap != "changes":
        return invoke(words, out).exception  # type: ignore[return-value]
    whole = paths[0].read_bytes()

    def meddle(step: str, done: int, total: int) -> None:
        if step == "rendering" and done == total:
            paths[0].chmod(0o644)
            paths[0].write_bytes(whole + b"x")

    try:
        stitchbed.join(paths, out / "canvas.tif", joined.QUICK, progress=meddle)
    except StitchbedError as error:
        return error
    finally:
        paths[0].chmod(0o644)
        paths[0].write_bytes(whole)
    return None


def scored(out: Path, sheet: truth.Floats, tiles: list[truth.TrueTile], tally: Tally) -> str:
    """How true the canvas is."""
    canvas = next(path for path in out.iterdir() if path.name in ("canvas.tif", "canvas.png"))
    record: dict[str, Any] = json.loads((out / "canvas.json").read_text())
    seen = verdict.judge(canvas, record, sheet, tiles)
    for kept, value in (
        (tally.rms, seen.rms),
        (tally.p99, seen.p99),
        (tally.tone, seen.tone_p95),
        (tally.covered, seen.covered),
    ):
        kept.append(value)
    return f"rms {seen.rms:.3f} px, p99 {seen.p99:.3f}, tone p95 {seen.tone_p95:.4f}, covered {seen.covered:.4f}"


def more(paths: list[Path], out: Path, rng: np.random.Generator, tally: Tally, number: int) -> None:
    """One or two other commands with the canvas."""
    canvas = next(path for path in out.iterdir() if path.name in ("canvas.tif", "canvas.png"))
    for name in rng.choice(list(NEXT), 2, replace=False):
        words = [str(canvas) if word == "IN" else word for word in NEXT[name]]
        if "PIECES" in words:
            words = ["check", *map(str, paths)]
        before = joined.hashes_of([canvas])
        result = invoke((*words, "--workers", "2"), out)
        end = "done" if result.exception is None else type(result.exception).__name__
        tally.ends[f"then {name}: {end}"] += 1
        if result.exception is not None and not isinstance(result.exception, StitchbedError):
            tally.wrong.append(f"job {number}, {name}: {result.exception!r}")
        if joined.hashes_of([canvas]) != before:
            tally.wrong.append(f"job {number}: {name} altered its source")


def held() -> tuple[float, int, int]:
    """MiB of memory held, files open, threads."""
    gc.collect()
    if sys.platform == "linux":  # what the allocator keeps for later is not held by anybody
        ctypes.CDLL("libc.so.6").malloc_trim(0)
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return (
        pages * os.sysconf("SC_PAGE_SIZE") / 2**20,
        len(list(Path("/proc/self/fd").iterdir())),
        threading.active_count(),
    )


def main() -> None:
    """All jobs, and what they left in the process."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    tally, begun = Tally(), time.process_time()
    for number in range(count):
        one_job(number, seed, tally)
        memory, files, threads = held()
        tally.memory.append(memory)
        tally.files.append(files)
        if number % 10 == 9:
            print(f"    held: {memory:.0f} MiB, {files} files, {threads} threads", flush=True)
    print(dict(tally.ends))
    for name, values in (
        ("rms px", tally.rms),
        ("p99 px", tally.p99),
        ("tone p95", tally.tone),
        ("covered", tally.covered),
    ):
        low, mid, high = np.percentile(values, [0, 50, 100])
        print(f"{name}: {low:.4f} .. {mid:.4f} .. {high:.4f} of {len(values)} canvases")
    half = len(tally.memory) // 2
    print(f"memory after job 10 {tally.memory[min(9, count - 1)]:.0f} MiB, at half {tally.memory[half]:.0f}, last "
          f"{tally.memory[-1]:.0f}; files {tally.files[0]} .. {tally.files[-1]}")  # fmt: skip
    print(f"{len(tally.wrong)} wrong; {time.process_time() - begun:.0f} s of CPU", *tally.wrong, sep="\n")


if __name__ == "__main__":
    main()
