"""I measure cleaning, lines, flats and copies against drawn pages.

By hand: python tests/benches/bench_finishing.py [parts].

Parts: dust paper crop lines flats layers copies run large; all but `large` when none is named. `large` takes the path
of a page of some 280 MP as `large=PAGE.tif` and works in its folder. Prints what, measured, bound, kept or not.

The pages are those of the tests, drawn from other seeds than the tests use.
"""

from __future__ import annotations

import search_path  # noqa: F401  # first: the search path

import io
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import tifffile
from copies import test_openraster as test_layered
from ink_pages import INK, PAPER, blank, drawing, hatch, seen, solid, stroke, with_dust, wobbly
from page.dust import test_dust
from page.line_art import test_flats
from page.sheet import test_border
from PIL import Image
from region_pages import region_page

from stitchbed.color.profiles import srgb_profile
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.transfer import to_linear, transfer_of
from stitchbed.page.line_art.fill import PALETTE
from stitchbed.page.line_art.ink_layer import over
from stitchbed.page.page import luminance
from stitchbed.page.sheet.border import BorderSettings, find_sheet, skew
from stitchbed.page.sheet.tone import ToneSettings, lightness
from stitchbed.pipelines.clean import CleanSettings, clean
from stitchbed.pipelines.export import CopySettings, ExportSettings, export
from stitchbed.pipelines.flats import FlatsSettings, fill_flats
from stitchbed.pipelines.lines import LinesSettings, lift_lines

Row = tuple[str, float, str, bool]
ROOT = Path(__file__).resolve().parents[2]
ICC = srgb_profile()


def main(parts: list[str]) -> None:
    known = {
        "dust": dust, "paper": paper, "crop": crop, "lines": lifted, "flats": regions, "layers": layers,
        "copies": copies, "run": whole_job,
    }  # fmt: skip
    for part in parts or list(known):
        rows = large(Path(part.removeprefix("large="))) if part.startswith("large=") else known[part]()
        for what, measured, bound, kept in rows:
            end = "kept" if kept else "MISSED"
            print(f"{part.split('=')[0]:7}{what:66}{measured:12.4g}  {bound:14}{end}", flush=True)


def dust() -> Iterator[Row]:
    """600 specks, 400 dots, hatching on three pages at three resolutions, beside a median of radius 2, threshold 1."""
    for dpi in (300, 600, 1200):
        figures = np.array([_dusted(dpi, seed) for seed in (21, 22, 23)])
        recall, dots, hatched, habit_recall, habit_dots, habit_hatched = figures.mean(axis=0)
        yield f"{dpi} dpi: specks removed", recall, ">= .95", recall >= 0.95
        yield f"{dpi} dpi: specks removed, worst page", figures[:, 0].min(), ">= .95", figures[:, 0].min() >= 0.95
        yield f"{dpi} dpi: dots touched", dots, "<= .01", dots <= 0.01
        yield f"{dpi} dpi: pieces of hatching touched", hatched, "<= .01", hatched <= 0.01
        yield f"{dpi} dpi: median, specks removed", habit_recall, f"< {recall:.3f}", habit_recall < recall
        yield f"{dpi} dpi: median, dots touched", habit_dots, f"> {dots:.3f}", habit_dots > dots
        worse = habit_hatched > hatched
        yield f"{dpi} dpi: median, pieces of hatching touched", habit_hatched, f"> {hatched:.3f}", worse


def _dusted(dpi: int, seed: int) -> tuple[float, ...]:
    case = test_dust._case(with_dust(drawing(dpi, np.random.default_rng(seed)), np.random.default_rng(seed + 50)))
    figures: list[float] = []
    for result in (test_dust._cleaned(case, *test_dust._swept(case)), test_dust._median_habit(case.dirty)):
        figures.append(test_dust._recall(case, result))
        figures += [test_dust._touched(case, result, owners) for owners in (case.made.dots, case.made.strokes)]
    return tuple(figures)


UNDER = ((18, 92, 165), (200, 30, 40), (10, 120, 40), (90, 10, 110))
THIN = (0.04, 0.06, 0.08, 0.1)  # mm


def paper() -> Iterator[Row]:
    """A sheet with thin lines, askew on a lid under a lamp that falls off by 12 %: paper, ink, lines after `clean`."""
    for dpi in (300, 600):
        with tempfile.TemporaryDirectory() as folder:
            source = Path(folder) / "page.tif"
            sheet = _thin_sheet(source, dpi)
            settings = CleanSettings(pictures=False, tone=ToneSettings(white="keep", black="keep"))
            record = clean(source, Path(folder) / "kept.tif", settings)
            light = _light(Path(folder) / "kept.tif")
            uneven = _unevenness(light, sheet, dpi)
            yield f"{dpi} dpi: range of bare paper / mean (was .12 and more)", uneven, "<= .01", uneven <= 0.01
            steps = {step["step"]: step["numbers"] for step in record["numbers"]["steps"]}
            off = abs(steps["tone"]["ink_lightness"] - lightness(INK))
            yield f"{dpi} dpi: L* of the ink beside truth", off, "<= 2", off <= 2
            for edges in ("soft", "crisp", "hard"):
                settings = CleanSettings(pictures=False, tone=ToneSettings(edges=edges))
                clean(source, Path(folder) / f"{edges}.tif", settings)
                lost = _lost(_light(Path(folder) / f"{edges}.tif"), dpi)
                for width, share in zip(THIN, lost, strict=True):
                    yield f"{dpi} dpi, {edges} edges: places lost of a line of {width} mm", share, "0", share == 0


def _thin_sheet(path: Path, dpi: int) -> np.ndarray:
    """Write the scan of a 90 x 60 mm sheet; returns its ink. Thin lines are upright, 9 mm apart from x = 46 mm on."""
    rng = np.random.default_rng(5)
    sheet = blank(90, 60, dpi)
    solid(sheet, wobbly((14, 14), 8, rng))
    solid(sheet, wobbly((30, 45), 6, rng))
    hatch(sheet, (6, 32, 22, 56), 0.7, 0.2, 0.1, rng)
    for n, width in enumerate(THIN):
        stroke(sheet, [(46 + 9 * n, 6), (46 + 9 * n, 54)], width)
    light = (PAPER + (INK - PAPER) * sheet.ink)[..., None] * np.ones(3, np.float32)
    h, w = sheet.ink.shape
    turn = cv2.getRotationMatrix2D((w / 2, h / 2), -0.9, 1)
    rim = round(8 / MM_PER_INCH * dpi)
    turn[:, 2] += rim
    scan = cv2.warpAffine(light, turn, (w + 2 * rim, h + 2 * rim), flags=cv2.INTER_CUBIC, borderValue=(0.4, 0.4, 0.4))
    scan = cv2.GaussianBlur(np.clip(scan, 0, 1), (0, 0), float(np.hypot(0.022 / MM_PER_INCH * dpi, 0.35)))
    x = np.linspace(-1, 1, scan.shape[1], dtype=np.float32)[None, :, None]
    y = np.linspace(-1, 1, scan.shape[0], dtype=np.float32)[:, None, None]
    scan = scan * (1 - 0.09 * x**2 - 0.03 * y)
    grain = np.random.default_rng(6)
    codes = np.dstack([seen(np.ascontiguousarray(scan[..., c]), dpi, grain, dtype="uint16") for c in range(3)])
    tifffile.imwrite(path, codes, photometric="rgb", resolution=(dpi, dpi), resolutionunit=2, iccprofile=ICC)
    return np.asarray(sheet.ink)


def _light(path: Path) -> np.ndarray:
    return np.asarray(to_linear(tifffile.imread(path), transfer_of(ICC)).mean(axis=2))


def _unevenness(light: np.ndarray, ink: np.ndarray, dpi: int) -> float:
    """Range, 1st to 99th percentile, of the medians of cells of 3 mm that are bare out to a mm, over the mean."""
    side = round(3 / MM_PER_INCH * dpi)
    near = cv2.dilate((ink > 0).astype(np.uint8), np.ones((round(2 / MM_PER_INCH * dpi),) * 2, np.uint8))
    levels = []
    for row in range(0, min(light.shape[0], near.shape[0]) - side, side):
        for col in range(0, min(light.shape[1], near.shape[1]) - side, side):
            if not near[row : row + side, col : col + side].any():
                levels.append(float(np.median(light[row : row + side, col : col + side])))
    low, high = np.percentile(levels, (1, 99))
    return float((high - low) / np.mean(levels))


def _lost(light: np.ndarray, dpi: int) -> list[float]:
    """For each thin line the share of places, .5 mm apart, less than half as dark as the scanned ink there could be."""
    k = dpi / MM_PER_INCH
    shares = []
    for n, width in enumerate(THIN):
        col = round((46 + 9 * n) * k)
        part = light[round(8 * k) : round(52 * k), col - round(0.6 * k) : col + round(0.6 * k)]
        darkest = 1 - part.min(axis=1)
        places = darkest[: len(darkest) // round(0.5 * k) * round(0.5 * k)].reshape(-1, round(0.5 * k)).mean(axis=1)
        sigma = float(np.sqrt((0.022 * k) ** 2 + 0.35**2 + 0.3**2 + 1 / 12))
        possible = min(1.0, width * k / (sigma * np.sqrt(2 * np.pi)))
        shares.append(float((places < 0.5 * possible).mean()))
    return shares


def crop() -> Iterator[Row]:
    """Sheets with and without a drawn frame on lids from black to near white, with shadow, at several angles."""
    worst, turned, missed, count = 0.0, 0.0, 0, 0
    for dpi in (150, 300, 600):
        for degrees in (-2.6, -0.4, 0.0, 1.3):
            for lid, shadow in ((0.03, False), (0.35, False), (0.66, True), (0.95, True)):
                page, truth = test_border._scan(dpi, degrees, lid, shadow=shadow, frame=count % 2 == 0)
                worst = max(worst, float(np.abs(test_border._off_mm(page, truth, BorderSettings())).max()))
                sides = find_sheet(page)
                missed += sum(not side.found for side in sides)
                turned = max(turned, abs(float(np.degrees(skew(sides))) - degrees))
                count += 1
    yield f"{count} sheets: sides not found", missed, "0", missed == 0
    yield f"{count} sheets: worst crop beside the edge, mm", worst, "<= .3", worst <= 0.3
    yield f"{count} sheets: worst skew beside truth, degrees", turned, "<= .02", turned <= 0.02


def lifted() -> Iterator[Row]:
    """A cleaned scan's lines over white and over a saturated color."""
    with tempfile.TemporaryDirectory() as folder:
        page, layer = Path(folder) / "page.tif", Path(folder) / "lines.tif"
        _thin_sheet(page, 600)
        clean(page, Path(folder) / "clean.tif", CleanSettings(pictures=False))
        cleaned = tifffile.imread(Path(folder) / "clean.tif")
        for ink, medium in (("own", "ink"), ("own", "pencil"), ("black", "ink")):
            layer = Path(folder) / f"{ink}_{medium}.tif"
            lift_lines(Path(folder) / "clean.tif", layer, LinesSettings(ink, medium, pictures=False))
            codes = tifffile.imread(layer)
            # with black ink the page's own color noise is dropped: its mean comes back
            wanted = np.repeat(cleaned.mean(axis=2, keepdims=True), 3, axis=2) if ink == "black" else cleaned
            off = float(np.abs(over(codes, np.full_like(cleaned, 65535)) - wanted.astype(float)).max() / 257)
            yield f"{ink} {medium}: over white beside the clean page, codes of 255", off, "<= 1", off <= 1
            worst = max(_lighter(codes, color) for color in UNDER)
            # own colors carry the scan's color noise, and the page must come back: nothing else could be made of it
            bound = 0.0 if ink == "black" else 2.0
            yield f"{ink} {medium}: L* above the color below, worst px", worst, f"<= {bound:g}", worst <= bound


def _lighter(codes: np.ndarray, color: tuple[int, int, int]) -> float:
    """By how many L* the lightest pixel of lines over a color is lighter than that color; 0 when none is."""
    below = np.broadcast_to(np.array(color, np.uint16) * 257, (*codes.shape[:2], 3))
    light = [to_linear(np.ascontiguousarray(c), transfer_of(ICC)) for c in (over(codes, below), below[:1, :1])]
    return max(0.0, lightness(float(luminance(light[0]).max())) - lightness(float(luminance(light[1]).max())))


def regions() -> Iterator[Row]:
    """Twenty pages of known regions; fringes beside known colors; time for 35 MP."""
    found, total, merged, open_px, fringe = 0, 0, 0, 0, 0
    for seed in range(100, 120):
        page = region_page(300 if seed % 2 else 600, seed, pen=0.2 + 0.1 * (seed % 4))
        label = test_flats._full(page, test_flats._map(page))
        table = test_flats._shared(page, label)
        area, size = table.sum(axis=1), table.sum(axis=0)
        visible = area > 0.5 * (page.dpi / MM_PER_INCH) ** 2
        good = (table.max(axis=1) >= 0.9 * area) & (table.max(axis=1) >= 0.9 * size[table.argmax(axis=1)])
        found, total = found + int(good[visible].sum()), total + int(visible.sum())
        merged += int(((table[visible] > 0.1 * area[visible][:, None]).sum(axis=0) > 1).sum())
        open_px += int((label == 0).sum())
        fringe += _fringe(page, label, table)
    yield f"20 pages: regions found, of {total}", found / total, ">= .98", found / total >= 0.98
    yield "20 pages: regions merged across a line or gap", merged, "0", merged == 0
    yield "20 pages: px without flat", open_px, "0", open_px == 0
    yield "20 pages: px on lines lighter than their side's flat", fringe, "0", fringe == 0
    with tempfile.TemporaryDirectory() as folder:
        part = region_page(600, 130, size=(125.0, 125.0)).alpha
        alpha = np.block([[part, part[:, ::-1]], [part[::-1], part[::-1, ::-1]]])
        layer = np.dstack([np.zeros_like(alpha), alpha])
        tifffile.imwrite(
            Path(folder) / "lines.tif", layer, photometric="minisblack", extrasamples=["unassalpha"],
            planarconfig="contig", resolution=(600, 600), resolutionunit=2,
        )  # fmt: skip
        seconds, busy, mib = _measured(["flats", f"{folder}/lines.tif", "-o", f"{folder}/flats.tif"])
        what = f"{alpha.size / 1e6:.0f} MP: wall seconds ({busy:.1f} of processors, {mib:.0f} MiB)"
        yield what, seconds, "< 30", seconds < 30


def _fringe(page: object, label: np.ndarray, table: np.ndarray) -> int:
    """Px on a line lighter than the flat color of the region they truly lie in; what is near holes left out."""
    palette = np.array([[int(c[i : i + 2], 16) for i in (1, 3, 5)] for c in PALETTE], np.uint8)
    of_label = palette[np.arange(table.shape[1] + 1) % len(palette)]
    of_truth = of_label[np.concatenate([[0], table.argmax(axis=1) + 1])]
    layer = np.dstack([np.zeros((*label.shape, 3), np.uint8), page.alpha])
    merged = over(layer, of_label[label])
    near_hole = cv2.dilate(page.holes, np.ones((15, 15), np.uint8)) > 0
    lighter = (merged.astype(int).sum(axis=2) > of_truth[page.truth].astype(int).sum(axis=2)) & (page.alpha > 0)
    return int((lighter & ~near_hole).sum())


def layers() -> Iterator[Row]:
    """The layered file of a whole chain: lines, flats, layers; read by zipfile and by pyora."""
    import pyora

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        _chain(folder)
        record = export(folder / "page.tif", folder, ExportSettings(("layers",), folder / "l.tif", folder / "f.tif"))
        path = folder / record["numbers"]["layers"]["file"]
        with zipfile.ZipFile(path) as archive:
            first = archive.infolist()[0]
            plain = first.filename == "mimetype" and first.compress_type == zipfile.ZIP_STORED
            needed = {"stack.xml", "mergedimage.png", "Thumbnails/thumbnail.png"} <= set(archive.namelist())
            yield "mimetype first and stored, what is required is there", plain and needed, "1", plain and needed
            merged = test_layered._png(archive.read("mergedimage.png"))
            share = merged / np.iinfo(merged.dtype).max
            off = float(np.abs(test_layered._composed(archive) - share).max()) * 255
            yield "layers beside the merged picture, codes of 255", off, "<= 1", off <= 1
            small = Image.open(io.BytesIO(archive.read("Thumbnails/thumbnail.png")))
            yield "longest side of the small picture", max(small.size), "256", max(small.size) == 256
        project = pyora.Project.load(str(path))
        pictures = [np.asarray(project.get_image_data(use_original=o).convert("RGB")).astype(int) for o in (0, 1)]
        off = float(np.abs(pictures[0] - pictures[1]).max())
        yield "pyora: layers beside the merged picture, codes of 255", off, "<= 1", off <= 1


def _chain(folder: Path, dpi: int = 300) -> None:
    page = region_page(dpi, 7, size=(50.0, 32.0))
    shades = np.random.default_rng(3).integers(120, 250, (page.count + 1, 3))
    share = page.alpha[..., None] / 255
    codes = np.rint(shades[page.truth] * (1 - share) + np.array((12, 18, 40)) * share).astype(np.uint8)
    size = {"resolution": (dpi, dpi), "resolutionunit": 2, "iccprofile": ICC}
    tifffile.imwrite(folder / "page.tif", codes, photometric="rgb", **size)
    size.pop("iccprofile")
    tifffile.imwrite(folder / "ink.tif", 255 - page.alpha, photometric="minisblack", **size)
    lift_lines(folder / "ink.tif", folder / "l.tif", LinesSettings(ink="#0c1228", pictures=False))
    mean = FlatsSettings(colors="mean", reference=folder / "page.tif", pictures=False)
    fill_flats(folder / "l.tif", folder / "f.tif", mean)


def copies() -> Iterator[Row]:
    """Copies as Pillow, tifffile and OpenCV read them; the arithmetic of 8.5 x 11.7 inches."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        _chain(folder)
        sizes = CopySettings(print_dpi=600, web_px=400)
        settings = ExportSettings(None, folder / "l.tif", folder / "f.tif", copies=sizes)
        numbers = export(folder / "page.tif", folder, settings)["numbers"]
        for kind in ("print", "web", "nopaper"):
            path = folder / numbers[kind]["file"]
            told = numbers[kind]["width"], numbers[kind]["height"]
            with Image.open(path) as picture:
                size, dpi, icc = picture.size, picture.info["dpi"][0], picture.info.get("icc_profile")
            seen_by_cv = cv2.imread(str(path), cv2.IMREAD_UNCHANGED).shape[1::-1]
            same = told == size == seen_by_cv
            if path.suffix == ".tif":
                with tifffile.TiffFile(path) as file:
                    first = file.pages[0]
                    same &= first.shape[1::-1] == told and first.tags[282].value == (600, 1) and first.iccprofile == ICC
            same &= icc == ICC or kind == "web"
            yield f"{kind}: size, profile alike in all readers; dpi", round(float(dpi), 2), "as told", bool(same)
        source = folder / "letter.tif"
        gray = np.full((1404, 1020), 200, np.uint8)
        tifffile.imwrite(source, gray, photometric="minisblack", resolution=(120, 120), resolutionunit=2)
        for dpi, wanted in ((600, (5100, 7020)), (300, (2550, 3510))):
            settings = ExportSettings(("print",), copies=CopySettings(print_dpi=dpi))
            told = export(source, folder, settings)["numbers"]["print"]
            kept = (told["width"], told["height"]) == wanted
            yield f"8.5 x 11.7 in at {dpi} dpi: MiB of 8-bit gray", told["mib_of_pixels"] / 2, f"{wanted}", kept


def whole_job() -> Iterator[Row]:
    """The example job, twice."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "demo"
        shutil.copytree(ROOT / "demo_tiles", folder)
        first, _, mib = _measured(["run", str(folder / "job.toml")])
        made = {p: p.stat().st_mtime_ns for p in folder.glob("out/**/*") if p.is_file()}
        yield f"first run: files ({first:.0f} s, {mib:.0f} MiB)", len(made), "> 20", len(made) > 20
        second, _, _ = _measured(["run", str(folder / "job.toml")])
        again = {p: p.stat().st_mtime_ns for p in folder.glob("out/**/*") if p.is_file()}
        redone = sum(made.get(p) != t for p, t in again.items() if p.suffix != ".json")
        yield "second run: seconds", second, "< 2", second < 2
        yield "second run: pictures made again", redone, "0", redone == 0


def large(page: Path) -> Iterator[Row]:
    """Peak memory and time of the four commands on a large page, with the usual budget of 1 GiB."""
    at = {n: str(page.with_name(f"{page.stem}_{n}.tif")) for n in ("clean", "lines", "flats")}
    out = page.with_name(f"{page.stem}_copies")
    out.mkdir(exist_ok=True)
    plan = (
        ["clean", str(page), "-o", at["clean"]],
        ["lines", at["clean"], "-o", at["lines"]],
        ["flats", at["lines"], "-o", at["flats"]],
        ["export", at["clean"], "--lines", at["lines"], "--flats", at["flats"], "-o", str(out), "--replace"],
    )
    for words in plan:
        seconds, busy, mib = _measured(words)
        yield f"{words[0]}: MiB at the peak ({seconds:.0f} s, {busy:.0f} s of processors)", mib, "<= 1536", mib <= 1536


def _measured(words: list[str]) -> tuple[float, float, float]:
    """Wall seconds, seconds of processors and peak MiB of a command in a process of its own."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    began, before = time.monotonic(), resource.getrusage(resource.RUSAGE_CHILDREN)
    child = subprocess.Popen([sys.executable, "-m", "stitchbed", *words], env=environment, stdout=subprocess.DEVNULL)
    peak = 0
    while child.poll() is None:
        # the system's own figure for children begins with what the parent held; Linux keeps the program's peak apart
        text = Path(f"/proc/{child.pid}/status").read_text(encoding="ascii", errors="replace")
        peak = max([peak, *(int(line.split()[1]) for line in text.splitlines() if line.startswith("VmHWM"))])
        time.sleep(0.05)
    if child.returncode:
        raise SystemExit(f"{words[0]} failed")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    busy = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return time.monotonic() - began, busy, peak / 1024


if __name__ == "__main__":
    main(sys.argv[1:])
