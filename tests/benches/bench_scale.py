"""I measure time and memory of the main job against a plain copy.

By hand: python tests/benches/bench_scale.py [options].

Makes sets of overlapping pieces of a sheet of any size, joins them with `python -m stitchbed join` in a process of its
own, and prints for each: pieces, megapixels, wall seconds, seconds per step, peak memory of the whole process, the time
of a plain copy in the same run (read every piece whole, write a canvas of the same size, pixels and codec, by tifffile
with the same codec level), and the ratio. `--other` also runs OpenCV's own scan joiner (cv2.Stitcher, SCANS).

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


def plain_copy(folder: Path, canvas: Path, target: Path, codec: str) -> float:
    """Seconds to read every piece whole and write the canvas's pixels again, tiled, with the same codec and level."""
    pixels = tifffile.imread(canvas)
    begun = time.perf_counter()
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
    return time.perf_counter() - begun


def joined(folder: Path, canvas: Path, options: list[str]) -> tuple[float, float, dict]:
    """(seconds, peak GiB, record) of the main job as a process of its own."""
    command = [sys.executable, "-m", "stitchbed", "join", str(folder), "-o", str(canvas), "--quiet", *options]
    begun = time.perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    if status:
        raise SystemExit(f"join failed on {folder}")
    record = json.loads(canvas.with_suffix(".json").read_text())
    return time.perf_counter() - begun, usage.ru_maxrss / 2**20, record


def other_joiner(folder: Path) -> str:
    """OpenCV's scan joiner in a process of its own: seconds, peak, outcome."""
    code = (
        "import cv2,sys,glob;s=cv2.Stitcher_create(cv2.Stitcher_SCANS);"
        f"r,p=s.stitch([cv2.imread(f) for f in sorted(glob.glob('{folder}/*.tif'))]);"
        "print(r, None if p is None else p.shape)"
    )
    begun = time.perf_counter()
    child = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    out = child.stdout.read() if child.stdout else ""
    _, _, usage = os.wait4(child.pid, 0)
    return f"{time.perf_counter() - begun:.1f} s, {usage.ru_maxrss / 2**20:.2f} GiB, {out.strip() or 'died'}"


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
    parser.add_argument("--no-copy", action="store_true")
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
    seconds, peak, record = joined(pieces, canvas, options)
    steps = {step["step"]: step["seconds"] for step in record["steps"]}
    size = record["canvas"]
    shown = f"{size['width']} x {size['height']} = {size['width'] * size['height'] / 1e6:.0f} MP"
    print(f"{name}: {len(record['inputs'])} pieces, {shown}")
    print(f"  join {seconds:.1f} s, peak {peak:.2f} GiB, steps {steps}")
    if not given.no_copy:
        copy = plain_copy(pieces, canvas, given.folder / "copy.tif", given.codec)
        print(f"  copy {copy:.1f} s, ratio {seconds / copy:.2f}")
    if given.other:
        print(f"  cv2.Stitcher SCANS: {other_joiner(pieces)}")
    print(f"  (this process: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20:.2f} GiB)", flush=True)


if __name__ == "__main__":
    main()
