"""I measure time and memory of the main job against a plain copy.

By hand: python tests/benches/bench_scale.py [options].

Makes sets of overlapping pieces of a sheet of any size, joins them with `python -m stitchbed join` in a process of its
own, and prints one table for each: the join and its steps; a plain copy in the same run (read every piece whole, write
a canvas of the same size, pixels and codec, by tifffile with the same codec level); with `--other` OpenCV's own scan
joiner and the share of the sheet it covers, and libvips, which renders the pieces where the join found them (see
`general_libraries`). Each with wall seconds, seconds of processor time, peak memory, and both times over the copy's.

The sheet: paper with grain, ink lines, dots and lettering that differ everywhere; pieces turned by up to .4 degrees.
"""

from __future__ import annotations

import search_path  # noqa: F401  # first: the search path

import argparse
import json
import multiprocessing
import os
import resource
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import cv2
import imagecodecs
import numpy as np
import tifffile

EDGE = 2048
LEVEL = {"deflate": 3, "zstd": 1, "none": None}


def block(row: int, col: int, bank: np.ndarray) -> np.ndarray:
    """One EDGE x EDGE block of the sheet, uint8 RGB."""
    rng = np.random.default_rng([row, col, 7])
    page = np.full((EDGE, EDGE, 3), (236, 240, 242), np.uint8)
    for _ in range(60):
        a, b = rng.integers(0, EDGE, 2), rng.integers(-500, 500, 2)
        color = tuple(int(v) for v in rng.integers(20, 90, 3))
        cv2.line(page, a.tolist(), (a + b).tolist(), color, int(rng.integers(2, 9)), cv2.LINE_AA)
    for _ in range(25):
        a, tone = rng.integers(0, EDGE, 2), tuple(int(v) for v in rng.integers(60, 230, 3))
        cv2.ellipse(
            page,
            a.tolist(),
            rng.integers(20, 200, 2).tolist(),
            float(rng.uniform(0, 180)),
            0,
            360,
            tone,
            int(rng.choice([-1, 4])),
            cv2.LINE_AA,
        )
    for _ in range(12):
        word = "".join(rng.choice(list("abcdefghijklmnoprstuv"), 6))
        cv2.putText(
            page,
            word,
            rng.integers(0, EDGE - 300, 2).tolist(),
            cv2.FONT_HERSHEY_COMPLEX,
            float(rng.uniform(1, 4)),
            (40, 40, 50),
            3,
            cv2.LINE_AA,
        )
    dy, dx = rng.integers(0, 512, 2)
    grain = np.roll(bank, (int(dy), int(dx)), (0, 1))
    return np.clip(page.astype(np.int16) + grain[..., None], 0, 255).astype(np.uint8)


def sheet(path: Path, height: int, width: int) -> np.memmap:
    """The whole sheet on disk."""
    bank = np.rint(
        cv2.GaussianBlur(np.random.default_rng(1).normal(0, 6, (EDGE, EDGE)).astype(np.float32), (0, 0), 0.8)
    ).astype(np.int16)
    whole = np.memmap(path, np.uint8, "w+", shape=(height, width, 3))
    for row in range(0, height, EDGE):
        for col in range(0, width, EDGE):
            part = whole[row : row + EDGE, col : col + EDGE]
            part[...] = block(row // EDGE, col // EDGE, bank)[: part.shape[0], : part.shape[1]]
    return whole


def cut(
    whole: np.memmap, folder: Path, grid: tuple[int, int], *, overlap: float, bits: int, codec: str, dpi: int
) -> int:
    """Cut rows x cols pieces; returns their pixels in all."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(3)
    height, width = whole.shape[:2]
    rows, cols = grid
    ph, pw = int(height / (rows - (rows - 1) * overlap)), int(width / (cols - (cols - 1) * overlap))
    total = 0
    for i in range(rows):
        for j in range(cols):
            y = (height - ph) * i / max(rows - 1, 1)
            x = (width - pw) * j / max(cols - 1, 1)
            piece = _piece(whole, (x, y), (ph, pw), rng)
            if bits == 16:
                piece = piece.astype(np.uint16) * 257
            compression = {"deflate": "deflate", "zstd": "zstd", "none": None}[codec]
            tifffile.imwrite(
                folder / f"piece_{i:02d}_{j:02d}.tif",
                piece,
                photometric="rgb",
                rowsperstrip=64,
                compression=compression,
                compressionargs={"level": 1} if compression else None,
                predictor=bool(compression),
                resolution=(dpi, dpi),
                resolutionunit=2,
            )
            total += ph * pw
    return total


def _piece(whole: np.memmap, at: tuple[float, float], size: tuple[int, int], rng: np.random.Generator) -> np.ndarray:
    x, y = at
    ph, pw = size
    turn, gain = np.deg2rad(rng.uniform(-0.4, 0.4)), rng.uniform(0.96, 1.04)
    pad = int(0.01 * max(ph, pw)) + 8
    x0, y0 = max(0, int(x) - pad), max(0, int(y) - pad)
    window = np.ascontiguousarray(whole[y0 : int(y) + ph + pad, x0 : int(x) + pw + pad])
    c, s = np.cos(turn), np.sin(turn)
    middle = np.array([x - x0 + pw / 2 + rng.uniform(-1, 1), y - y0 + ph / 2 + rng.uniform(-1, 1)])
    linear = np.array([[c, -s], [s, c]])
    matrix = np.column_stack([linear, middle - linear @ [pw / 2, ph / 2]])
    piece = cv2.warpAffine(
        window, matrix, (pw, ph), flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP, borderValue=(228, 228, 228)
    )
    return cv2.convertScaleAbs(piece, alpha=gain)


def plain_copy(folder: Path, canvas: Path, target: Path, codec: str) -> tuple[float, float]:
    """Wall and processor seconds to read every piece whole and write the canvas's pixels again, tiled, with the same
    codec and level."""
    pixels = tifffile.imread(canvas)
    begun = time.perf_counter(), time.process_time()
    for piece in sorted(folder.glob("*.tif")):
        tifffile.imread(piece, maxworkers=2)
    compression = {"deflate": 8, "zstd": "zstd", "none": None}[codec]

    def encoded() -> object:
        from concurrent.futures import ThreadPoolExecutor

        corners = [(r, c) for r in range(0, pixels.shape[0], 256) for c in range(0, pixels.shape[1], 256)]
        with ThreadPoolExecutor(2) as pool:
            for start in range(0, len(corners), 256):
                yield from pool.map(one, corners[start : start + 256])

    def one(corner: tuple[int, int]) -> bytes:
        part = pixels[corner[0] : corner[0] + 256, corner[1] : corner[1] + 256]
        full = np.zeros((256, 256, pixels.shape[2]), pixels.dtype)
        full[: part.shape[0], : part.shape[1]] = part
        if codec == "none":
            return full.tobytes()
        delta = imagecodecs.delta_encode(full, axis=-2).tobytes()
        if codec == "zstd":
            return imagecodecs.zstd_encode(delta, level=LEVEL[codec])
        return imagecodecs.deflate_encode(delta, level=LEVEL[codec], raw=False)

    extra = {"extrasamples": ["unassalpha"]} if pixels.shape[2] == 4 else {}
    with tifffile.TiffWriter(target, bigtiff=pixels.nbytes > 1.9 * 2**30) as writer:
        writer.write(encoded(), shape=pixels.shape, dtype=pixels.dtype, photometric="rgb", tile=(256, 256),
                     compression=compression, predictor=2 if compression else None, metadata=None, **extra)  # fmt: skip
    with target.open("rb") as file:
        os.fsync(file.fileno())
    return time.perf_counter() - begun[0], time.process_time() - begun[1]


@dataclass(frozen=True)
class Cost:
    """Wall and processor seconds, peak GiB of a process (0: not known), what it printed."""

    wall: float
    cpu: float
    peak: float
    said: str


def process(words: list[str]) -> Cost:
    """Run Python with these words, timed."""
    begun = time.perf_counter()
    child = subprocess.Popen([sys.executable, *words], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    said = child.stdout.read() if child.stdout else ""
    _, status, usage = os.wait4(child.pid, 0)
    wall = time.perf_counter() - begun
    return Cost(wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 2**20, "" if status else said.strip() or "{}")


def joined(folder: Path, canvas: Path, options: list[str]) -> tuple[Cost, dict]:
    """The main job, and its record."""
    cost = process(["-m", "stitchbed", "join", str(folder), "-o", str(canvas), "--quiet", *options])
    if not cost.said:
        raise SystemExit(f"join failed on {folder}")
    return cost, json.loads(canvas.with_suffix(".json").read_text())


def others(folder: Path, canvas: Path, codec: str) -> list[tuple[str, Cost]]:
    """What general libraries take for the same pieces."""
    record, out = canvas.with_suffix(".json"), canvas.with_suffix(".libvips.tif")
    script = str(Path(__file__).parent / "general_libraries.py")
    size = json.loads(record.read_text())["canvas"]
    opencv = process([script, "opencv", str(folder)])
    told = json.loads(opencv.said or "{}")
    share = told.get("covered", 0) / (size["width"] * size["height"])
    libvips = process([script, "libvips", str(record), str(folder), str(out), codec])
    done = "libvips, render" if libvips.said else "libvips, render: failed (is pyvips[binary] there?)"
    return [(f"OpenCV, join: {share:.0%} of the sheet" if told else "OpenCV, join: died", opencv), (done, libvips)]


def main() -> None:
    """Parse, make, run, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--megapixels", type=float, nargs="+", default=[35, 140, 280, 560])
    parser.add_argument("--grid", type=int, nargs=2, action="append", help="rows cols of pieces; once per canvas size")
    parser.add_argument("--codec", default="deflate", choices=list(LEVEL))
    parser.add_argument("--bits", type=int, default=8, choices=[8, 16])
    parser.add_argument("--folder", type=Path, default=Path("/tmp/stitchbed_bench"))
    parser.add_argument("--memory", default="1GiB")
    parser.add_argument("--other", action="store_true")
    given = parser.parse_args()
    grids = given.grid or [(3, 3), (5, 6), (8, 10), (10, 15)]
    for megapixels, grid in zip(given.megapixels, grids):
        one_size(megapixels, tuple(grid), given)


def make_set(pieces: Path, size: tuple[int, int], grid: tuple[int, int], given: argparse.Namespace) -> None:
    """Draw a sheet and cut it into pieces."""
    given.folder.mkdir(parents=True, exist_ok=True)
    whole = sheet(given.folder / "sheet.raw", *size)
    cut(whole, pieces, grid, overlap=0.2, bits=given.bits, codec=given.codec, dpi=600)
    del whole
    (given.folder / "sheet.raw").unlink()


def one_size(megapixels: float, grid: tuple[int, int], given: argparse.Namespace) -> None:
    """Make one set, measure, print one block of lines."""
    width = int((megapixels * 1e6 / 1.414) ** 0.5)
    height = int(width * 1.414)
    name = f"{megapixels:.0f}mp_{grid[0]}x{grid[1]}_{given.codec}_{given.bits}"
    pieces, canvas = given.folder / name, given.folder / f"{name}.canvas.tif"
    if not pieces.exists():
        # in a process of its own: Linux counts the size of the process that starts another as the other's peak
        making = multiprocessing.get_context("spawn").Process(
            target=make_set, args=(pieces, (height, width), grid, given)
        )
        making.start()
        making.join()
    options = ["--codec", given.codec, "--memory", given.memory]
    cost, record = joined(pieces, canvas, options)
    steps = {step["step"]: round(step["seconds"], 1) for step in record["steps"]}
    size = record["canvas"]
    pixels = size["width"] * size["height"]
    print(
        f"{name}: {len(record['inputs'])} pieces, {size['width']} x {size['height']} = {pixels / 1e6:.0f} MP; {steps}"
    )
    print(f"render: {1e9 * steps['render'] / pixels:.0f} ns of wall time a pixel")
    copy = Cost(*plain_copy(pieces, canvas, given.folder / "copy.tif", given.codec), 0.0, "")
    rows = [("join", cost), ("copy", copy), *(others(pieces, canvas, given.codec) if given.other else [])]
    print(f"{'':40}{'wall s':>9}{'cpu s':>9}{'GiB':>7}{'wall/copy':>11}{'cpu/copy':>10}")
    for word, one in rows:
        ratios = f"{one.wall / copy.wall:11.2f}{one.cpu / copy.cpu:10.2f}"
        print(f"{word:40}{one.wall:9.1f}{one.cpu:9.1f}{one.peak:7.2f}{ratios}")
    print(f"  (this process: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20:.2f} GiB)", flush=True)


if __name__ == "__main__":
    main()
