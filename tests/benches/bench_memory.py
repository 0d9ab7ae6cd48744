"""I hold every command to its memory, by hand: python tests/benches/bench_memory.py [JOB ...] [--folder FOLDER].

Each job of the table works on an input of an awkward shape, in a process of its own. Told for each: the peak of that
process (VmHWM, Linux), the bound (`--memory` and 300 MiB for the libraries), and how it ended: done, or the words it
was refused with. A job that goes past its bound, ends in a traceback or is refused where it must be done fails the
bench.

The sheet is `bench_scale`'s: paper with grain, ink lines, dots and lettering that differ everywhere.
"""

from __future__ import annotations

import search_path  # first: the search path

import argparse
import io
import os
import resource
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import bench_scale
import cv2
import numpy as np
import tifffile
from PIL import Image
from png_bytes import png
from tiff_bytes import assembled

MIB = 2**20
LIBRARIES = 300 * MIB
CEILING = 12 * 2**30  # bytes; a job past it is ended, so that it does not take the machine with it
RUN = """
import sys
from stitchbed.__main__ import main
try:
    main()
finally:
    with open("/proc/self/status") as file:
        print("PEAK", next(line.split()[1] for line in file if line.startswith("VmHWM")), file=sys.stderr)
"""


@dataclass(frozen=True)
class Job:
    """make : draws the input into a folder once and returns its paths. words : of the command; {0}, {1} are the input,
    {out} a free name. memory : MiB given. refused : it may be refused in words.
    """

    make: Callable[[Path], list[Path]]
    words: str
    memory: int
    refused: bool = False


def drawn(path: Path, height: int, width: int) -> np.memmap:
    """A sheet on disk, drawn once."""
    raw = path.with_suffix(".raw")
    if raw.exists():
        return np.memmap(raw, np.uint8, "r", shape=(height, width, 3))
    begun = raw.with_suffix(".begun")
    bench_scale.sheet(begun, height, width).flush()
    begun.rename(raw)
    return np.memmap(raw, np.uint8, "r", shape=(height, width, 3))


def kept(path: Path, write: Callable[[Path], object]) -> Path:
    """The file, written when it is not there yet."""
    if not path.exists():
        begun = path.with_name(f"begun-{path.name}")
        write(begun)
        begun.rename(path)
    return path


def tiff(path: Path, pixels: np.ndarray, **how: object) -> Path:
    """A TIFF of 300 dpi, at which a survey looks at every pixel."""
    said = {"photometric": "rgb" if pixels.ndim == 3 else "minisblack", "resolution": (300, 300), "metadata": None}
    return kept(path, lambda to: tifffile.imwrite(to, pixels, **{**said, "resolutionunit": 2, **how}))


def two_pieces(folder: Path, **how: object) -> list[Path]:
    """Two pieces of 66 MP, overlapping by a fifth."""
    sheet = drawn(folder / "two", 9400, 12640)
    how = {"compression": "zlib", "rowsperstrip": 64, "predictor": True, **how}
    return [tiff(folder / f"piece-{n}.tif", sheet[:, col : col + 7022], **how) for n, col in enumerate((0, 5618))]


def one_strip_pieces(*codecs: str) -> Callable[[Path], list[Path]]:
    """Two pieces of 40 MP in 16 bits, each in one compressed strip: 240 MB that come in one go."""

    def make(folder: Path) -> list[Path]:
        sheet = drawn(folder / "two", 9400, 12640)[:5700]
        paths = []
        for number, (col, codec) in enumerate(zip((0, 5618), codecs, strict=True)):
            pixels = sheet[:, col : col + 7022].astype(np.uint16) * 257
            paths.append(tiff(folder / f"{codec}-{number}.tif", pixels, compression=codec, rowsperstrip=5700))
        return paths

    return make


def png_pieces(folder: Path) -> list[Path]:
    """Two PNGs of 40 MP, the second interlaced."""
    sheet = drawn(folder / "two", 9400, 12640)[:5700]
    left = kept(folder / "left.png", lambda to: cv2.imwrite(str(to), sheet[:, :7022, ::-1]))
    right = kept(folder / "right.png", lambda to: to.write_bytes(png(sheet[:, 5618:], interlace=True)))
    return [left, right]


def giant_tiles(folder: Path) -> list[Path]:
    """Two pieces of 66 MP, each in two tiles of 9408 x 4096 px."""
    sheet = drawn(folder / "two", 9400, 12640)
    how = {"compression": "zlib", "tile": (9408, 4096)}
    return [tiff(folder / f"giant-{n}.tif", sheet[:, col : col + 7022], **how) for n, col in enumerate((0, 5618))]


def page(folder: Path) -> list[Path]:
    """One page of 106 MP with dark margins where the sheet ended."""
    sheet = np.array(drawn(folder / "page", 10300, 10300))
    sheet[:150] = sheet[-150:] = sheet[:, :150] = sheet[:, -150:] = 60
    return [tiff(folder / "page.tif", sheet, compression="zlib", rowsperstrip=64, predictor=True)]


def finer_page(folder: Path) -> list[Path]:
    """The page, and the same at half its dpi."""
    sheet = np.array(drawn(folder / "page", 10300, 10300))
    half = cv2.resize(sheet, (5150, 5150), interpolation=cv2.INTER_AREA)
    return [*page(folder), tiff(folder / "half.tif", half, compression="zlib", rowsperstrip=64, resolution=(150, 150))]


def long_page(folder: Path) -> list[Path]:
    """100 MP that are 800 px wide."""
    sheet = np.array(drawn(folder / "page", 10300, 10300))
    strips = [sheet[:, col : col + 800] for col in range(0, 9600, 800)]
    return [tiff(folder / "long.tif", np.concatenate(strips), compression="zlib", rowsperstrip=64)]


def wide_page(folder: Path) -> list[Path]:
    """100 MP that are 800 px high."""
    sheet = np.array(drawn(folder / "page", 10300, 10300))
    strips = [sheet[row : row + 800] for row in range(0, 9600, 800)]
    return [tiff(folder / "wide.tif", np.concatenate(strips, axis=1), compression="zlib", rowsperstrip=8)]


def fax(side: int, rows: int) -> Callable[[Path], list[Path]]:
    """A black picture of side x side px, a bit for each, in strips of so many rows: 62,000 px a side take 20 KB."""

    def make(folder: Path) -> list[Path]:
        with io.BytesIO() as file:
            Image.new("1", (side, rows)).save(file, "TIFF", compression="group4", tiffinfo={278: rows})
            file.seek(0)
            with tifffile.TiffFile(file) as encoded:
                start, size = encoded.pages[0].dataoffsets[0], encoded.pages[0].databytecounts[0]
            strip = file.getvalue()[start : start + size]
        strips = [strip] * (side // rows)
        tags = {256: (4, [side]), 257: (4, [side]), 258: (3, [1]), 259: (3, [4]), 262: (3, [0]), 277: (3, [1])}
        tags |= {278: (4, [rows]), 282: (5, [600, 1]), 283: (5, [600, 1]), 296: (3, [2])}
        content = assembled(tags, strips, (273, 279), order="<", big=False)
        return [kept(folder / f"fax-{side}.tif", lambda to: to.write_bytes(content))]

    return make


def photo(folder: Path) -> list[Path]:
    """A photograph of 100 MP: the page on a dark table, seen from a little to the left."""
    sheet = np.array(drawn(folder / "page", 10300, 10300))[::2, ::2]
    seen = np.float32([[900, 700], [10900, 400], [10700, 8100], [1100, 7800]])
    corners = np.float32([[0, 0], [5150, 0], [5150, 5150], [0, 5150]])
    matrix = cv2.getPerspectiveTransform(corners, seen)
    picture = cv2.warpPerspective(sheet, matrix, (11600, 8700), borderValue=(40, 45, 50))
    return [kept(folder / "photo.jpg", lambda to: cv2.imwrite(str(to), picture[..., ::-1]))]


def noise(folder: Path) -> list[Path]:
    """A page of 40 MP that is nothing but noise, so that everything on it might be dust, lines, or a point to match."""
    pixels = np.random.default_rng(0).integers(0, 256, (6400, 6400), dtype=np.uint8)
    return [tiff(folder / "noise.tif", pixels, compression="zlib", rowsperstrip=64)]


JOBS = {
    "join-1GiB": Job(two_pieces, "join {0} {1} -o {out}.tif", 1024),
    "join-400MiB": Job(two_pieces, "join {0} {1} -o {out}.tif", 400),
    "check": Job(two_pieces, "check {0} {1}", 400),
    "clean": Job(page, "clean {0} -o {out}.tif", 400),
    "lines": Job(page, "lines {0} -o {out}.tif", 400),
    "flats": Job(page, "flats {0} -o {out}.tif", 400),
    "export": Job(page, "export {0} -o {folder} --name {out}", 400),
    "compare": Job(finer_page, "compare {0} {1}", 400),
    "rectify": Job(photo, "rectify {0} -o {out}.tif --dpi 300 --size 420x330mm", 400),
    "strips": Job(one_strip_pieces("zlib", "zlib"), "join {0} {1} -o {out}.tif", 400),
    "strips-lzw": Job(one_strip_pieces("lzw", "lzw"), "join {0} {1} -o {out}.tif", 400, refused=True),
    "png": Job(png_pieces, "join {0} {1} -o {out}.tif", 400),
    "giant-tiles": Job(giant_tiles, "join {0} {1} -o {out}.tif", 400, refused=True),
    "long": Job(long_page, "clean {0} -o {out}.tif", 400),
    "wide": Job(wide_page, "clean {0} -o {out}.tif", 400),
    "join-long": Job(lambda folder: [*long_page(folder), *wide_page(folder)], "check {0} {1}", 400, refused=True),
    "noise": Job(noise, "clean {0} -o {out}.tif", 400, refused=True),
    "noise-flats": Job(noise, "flats {0} -o {out}.tif", 400, refused=True),
    "noise-join": Job(noise, "join {0} -o {out}.tif", 400),
    "black-400": Job(fax(20_000, 100), "check {0}", 400, refused=True),
    "black-400-clean": Job(fax(20_000, 100), "clean {0} -o {out}.tif", 400, refused=True),
    "black-3844-check": Job(fax(62_000, 62), "check {0}", 400, refused=True),
    "black-3844": Job(fax(62_000, 62), "join {0} -o {out}.tif", 400, refused=True),
    "black-3844-clean": Job(fax(62_000, 62), "clean {0} -o {out}.tif", 400, refused=True),
}


def measured(job: Job, folder: Path) -> tuple[float, float, bool, str]:
    """(peak MiB, seconds of processor time, whether all is well, how it ended)."""
    paths = [str(path) for path in job.make(folder)]
    out = folder / "out"
    words = [word.format(*paths, out=out if "{folder}" not in job.words else "out", folder=folder)
             for word in job.words.split()]  # fmt: skip
    options = ["--memory", f"{job.memory}MiB", "--workers", "2", "--quiet", "--replace"]
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    run = subprocess.run(
        [sys.executable, "-c", RUN, *words, *options], capture_output=True, text=True, check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_DATA, (CEILING, CEILING)),
        env={**os.environ, "PYTHONPATH": search_path.PLACES[0]},
    )  # fmt: skip
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    for made in folder.glob("out*"):
        made.unlink() if made.is_file() else None
    lines = run.stderr.strip().splitlines()
    peaks = [int(line.split()[1]) / 1024 for line in lines if line.startswith("PEAK")]
    peak = peaks[0] if peaks else float("inf")
    told = " ".join(line for line in lines if not line.startswith("PEAK"))
    well = peak <= job.memory + LIBRARIES / MIB and "Traceback" not in told and "nobody foresaw" not in told
    well = well and (run.returncode == 0 or (run.returncode == 1 and job.refused))
    ended = "done" if run.returncode == 0 else f"exit {run.returncode}: {told[:300]}"
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return peak, spent, well, ended


def main() -> None:
    """Each job named, or all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("jobs", nargs="*", help=f"of {', '.join(JOBS)}")
    parser.add_argument("--folder", type=Path, default=Path("/tmp/stitchbed_memory"))
    given = parser.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    failed = []
    print("job | peak MiB | bound MiB | CPU s | end")
    for name in given.jobs or JOBS:
        job = JOBS[name]
        peak, spent, well, ended = measured(job, given.folder)
        mark = "" if well else "FAILED "
        failed += [] if well else [name]
        print(f"{name} | {peak:.0f} | {job.memory + LIBRARIES / MIB:.0f} | {spent:.0f} | {mark}{ended}", flush=True)
    raise SystemExit(f"past the bound or broken: {', '.join(failed)}" if failed else 0)


if __name__ == "__main__":
    main()
