"""I list a small job of every command, so that one test can ask the same of all: what is written, and what is read.

In: a folder to put inputs in. Out: `SmallJob`s: the words of the command line, the files it reads, the names it writes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import joined
import numpy as np
import truth
from click.testing import CliRunner, Result

from stitchbed.cli import stitchbed as command_line

DPI = 100.0


@dataclass(frozen=True)
class SmallJob:
    """words : of the command line; OUT stands for the folder of results. reads : files that must stay as they are.

    swap(path) : the same words with another picture in place of the one the job is about.
    """

    words: tuple[str, ...]
    reads: tuple[Path, ...]
    subject: Path

    def swap(self, path: Path) -> tuple[str, ...]:
        """The same words about another file."""
        return tuple(str(path) if word == str(self.subject) else word for word in self.words)


Maker = Callable[[Path], SmallJob]


def invoke(words: tuple[str, ...], out: Path) -> Result:
    """Run the words; an error of ours is in `result.exception`."""
    said = [word.replace("OUT", str(out)) if word.startswith("OUT") else word for word in words]
    return CliRunner().invoke(command_line, said, standalone_mode=False)


def page(path: Path, *, tint: float = 1.0) -> Path:
    """A small page: strokes and closed shapes on white paper, 8 bits, with profile."""
    picture = np.full((150, 200), 245, np.uint8)
    cv2.rectangle(picture, (30, 25), (110, 100), 20, 3)
    cv2.circle(picture, (140, 85), 32, 15, 3, cv2.LINE_AA)
    picture = np.clip(picture * tint, 0, 255).astype(np.uint8)
    noise = np.random.default_rng(7).integers(-2, 3, (150, 200, 1))
    return joined.write_piece(
        path, np.clip(picture[..., None] + noise, 0, 255).repeat(3, 2).astype(np.uint8), DPI, truth.SRGB
    )


def _piece(path: Path) -> Path:
    """A lone piece needs no survey, which keeps a join short."""
    return joined.write_piece(path, joined.pair()[1][0].pixels, DPI, truth.SRGB)


def _join(suffix: str, *more: str) -> Maker:
    def make(folder: Path) -> SmallJob:
        path = _piece(folder / "piece.tif")
        return SmallJob(("join", str(path), "-o", f"OUT/canvas{suffix}", "--workers", "1", *more), (path,), path)

    return make


def _two(folder: Path) -> SmallJob:
    paths = truth.write_set(folder, joined.pair()[1], DPI)
    words = ("join", *map(str, paths), "-o", "OUT/canvas.tif", "--workers", "1", "--assume-profile", "none")
    return SmallJob(words, tuple(paths), paths[1])


def _one_page(*words: str) -> Maker:
    def make(folder: Path) -> SmallJob:
        path = page(folder / "page.tif")
        told = (words[0], str(path), *words[1:])
        return SmallJob((*told, "--workers", "1"), (path,), path)

    return make


def _export(folder: Path) -> SmallJob:
    path, lines, flats = page(folder / "page.tif"), folder / "lines.tif", folder / "flats.tif"
    for words in (("lines", path, lines), ("flats", lines, flats)):
        assert invoke((words[0], str(words[1]), "-o", str(words[2]), "--no-pictures"), folder).exception is None
    told = (
        "export",
        str(path),
        "--lines",
        str(lines),
        "--flats",
        str(flats),
        "-o",
        "OUT",
        "--replace",
        "--web-px",
        "100",
    )
    return SmallJob((*told, "--workers", "1"), (path, lines, flats), path)


def _compare(folder: Path) -> SmallJob:
    rng = np.random.default_rng(5)
    sheet = truth.paint_sheet(240, 300, 5)
    low = np.clip(255 * sheet + rng.normal(0, 1, sheet.shape), 0, 255).astype(np.uint8)
    high = cv2.resize(low, (600, 480), interpolation=cv2.INTER_CUBIC)
    paths = tuple(
        joined.write_piece(folder / name, pixels, dpi)
        for name, pixels, dpi in (("low.tif", low, 150.0), ("high.tif", high, 300.0))
    )
    return SmallJob(("compare", *map(str, paths), "--crops", "OUT/crops.png"), paths, paths[1])


def _rectify(folder: Path) -> SmallJob:
    path = page(folder / "photo.tif")
    corners = ("10,10", "190,10", "190,140", "10,140")
    told = ("rectify", str(path), "-o", "OUT/flat.tif", "--dpi", "60", "--size", "72x52mm", "--light", "none")
    return SmallJob((*told, "--corners", *corners, "--workers", "1"), (path,), path)


def _color(folder: Path) -> SmallJob:
    from test_color import MIXING, srgb_encode, table_of, xyz_from_lab

    rng = np.random.default_rng(6)
    lab = np.column_stack([rng.uniform(20, 90, 24), rng.uniform(-25, 25, 24), rng.uniform(-25, 25, 24)])
    light = np.kron((xyz_from_lab(lab) @ MIXING).reshape(4, 6, 3), np.ones((20, 20, 1)))
    framed = cv2.copyMakeBorder(light, 20, 20, 20, 20, cv2.BORDER_CONSTANT, value=(0.3, 0.3, 0.3))
    framed = framed + 0.002 * rng.standard_normal(framed.shape)
    stored = np.rint(65535 * srgb_encode(np.clip(framed, 0, 1))).astype(np.uint16)
    path = joined.write_piece(folder / "chart.tif", stored, DPI, truth.SRGB)
    names = [f"{row}{column}" for row in "ABCD" for column in range(1, 7)]
    table = table_of({name: list(row) for name, row in zip(names, lab, strict=True)}, folder / "chart.txt")
    corners = ("19.5,19.5", "139.5,19.5", "139.5,99.5", "19.5,99.5")
    told = ("color", str(path), "-o", "OUT/true.tif", "--card", "chart", "--patches", str(table))
    return SmallJob((*told, "--corners", *corners, "--workers", "1"), (path, table), path)


def _check(folder: Path) -> SmallJob:
    paths = truth.write_set(folder, joined.pair()[1], DPI)
    return SmallJob(("check", *map(str, paths), "--workers", "1"), tuple(paths), paths[1])


def _run(folder: Path) -> SmallJob:
    path = _piece(folder / "work" / "piece.tif")
    return SmallJob(("run", str(folder / "work"), "-o", "OUT/result", "--workers", "1"), (path,), path)


def _nothing_read(*words: str) -> Maker:
    return lambda folder: SmallJob(words, (), folder)


JOBS: dict[str, Maker] = {
    "join": _join(".tif"),
    "join-two": _two,
    "join-png": _join(".png"),
    "join-jpeg": _join(".jpg"),
    "join-proof": _join(".tif", "--proof", "OUT/proof.html"),
    "join-raw": _join(".tif", "--codec", "none"),
    "check": _check,
    "clean": _one_page("clean", "-o", "OUT/clean.tif"),
    "lines": _one_page("lines", "-o", "OUT/lines.tif"),
    "flats": _one_page("flats", "-o", "OUT/flats.tif"),
    "export": _export,
    "compare": _compare,
    "rectify": _rectify,
    "color": _color,
    "run": _run,
    "card": _nothing_read("card", "-o", "OUT/card.pdf", "--piece", "corner"),
    "plan": _nothing_read(
        "plan", "--art", "A3", "--bed", "A4", "--drawing", "OUT/plan.svg", "--drawing", "OUT/plan.png"
    ),
}
READERS = tuple(
    name
    for name in JOBS
    if name in ("join-two", "check", "clean", "lines", "flats", "export", "compare", "rectify", "color")
)
