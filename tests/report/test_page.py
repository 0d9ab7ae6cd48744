"""I check the proof page: its tiles against the picture, its shapes against the record, and the page itself in a
browser.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any
from urllib.parse import quote

import cv2
import numpy as np
import pytest
import truth
from browser import chromium, complaints, wait  # noqa: F401 (a fixture)
from PIL import Image

from stitchbed.core.errors import StitchbedError, WouldTouchOriginal
from stitchbed.imaging.box import Box
from stitchbed.output.tiff_master import MasterSpec, write_picture
from stitchbed.pipelines import proof
from stitchbed.reading.base.tile import Raster
from stitchbed.report import overlays as proof_shapes
from stitchbed.report import page as proof_page
from stitchbed.report import records as proof_records
from stitchbed.report import tables as proof_tables
from stitchbed.report import tiles as pyramid_tiles

TAB, ENTER = "\ue004", "\ue007"  # WebDriver's codes of the keys
REACHED = 'a[href], button, select, input, summary, [tabindex="0"]'
NASTY = "bay \"9\" </script><img src=x onerror=alert(1)> & 'quay'.tif"


class Held:
    """A picture held in memory, read like one in a file."""

    def __init__(self, pixels: np.ndarray, icc: bytes | None = None, alpha: np.ndarray | None = None) -> None:
        self.pixels, self.mask = pixels, alpha
        bits = pixels.dtype.itemsize * 8
        self.raster = Raster(pixels.shape, str(pixels.dtype), bits, icc, None, True, alpha is not None)

    def window(self, box: Box) -> np.ndarray:
        return self.pixels[box.slices]

    def alpha(self, box: Box) -> np.ndarray | None:
        return None if self.mask is None else self.mask[box.slices]


def _picture(height: int, width: int) -> np.ndarray:
    """Smooth color with a few strokes: JPEG keeps it within a few codes."""
    sheet = truth.paint_sheet(200, 260, 3)
    big = cv2.resize(sheet, (width, height), interpolation=cv2.INTER_CUBIC)
    return np.clip(255 * big, 0, 255).astype(np.uint8)


def _record(canvas: str, size: tuple[int, int]) -> dict[str, Any]:
    """A join record of four pieces, one of them with a name nobody should have to read."""
    height, width = size
    names = ["quay_01.tif", "quay_02.tif", NASTY, "quay_04.tif"]
    places = [(0, 0), (width // 2, 0), (0, height // 2), (width // 2, height // 2)]
    piece = height // 2 + 80, width // 2 + 80
    rng = np.random.default_rng(4)
    residuals = [
        {"x": float(x), "y": float(y), "dx": float(dx), "dy": 0.1, "a": names[0], "b": names[1]}
        for x, y, dx in zip(
            rng.uniform(0, width, 500), rng.uniform(0, height, 500), rng.normal(0, 0.4, 500), strict=True
        )
    ]
    return {
        "version": "0.1.0",
        "command": "join",
        "canvas": {"path": canvas, "height": height, "width": width, "dpi": 300, "channels": 3, "dtype": "uint16"},
        "inputs": [
            {"name": name, "path": name, "sha256": "ab" * 32, "height": piece[0], "width": piece[1], "dpi": [300, 300]}
            for name in names
        ],
        "placements": [
            {"tile": name, "canvas_from_tile": [[1, 0, x], [0, 1, y], [0, 0, 1]], "sigma_px": 0.1, "rotation_deg": 0.3}
            for name, (x, y) in zip(names, places, strict=True)
        ],
        "links": [
            {
                "a": names[0],
                "b": names[1],
                "points": 500,
                "rms_px": 0.2,
                "worst_px": 0.9,
                "weak": False,
                "dropped": False,
            },
            {"a": names[0], "b": NASTY, "points": 90, "rms_px": 0.5, "worst_px": 1.4, "weak": True, "dropped": False},
            {
                "a": names[1],
                "b": names[3],
                "points": 20,
                "rms_px": 3.0,
                "worst_px": 9.0,
                "dropped": True,
                "reason": "loop",
            },
            {"a": NASTY, "b": names[3], "points": 300, "rms_px": 0.3, "worst_px": 1.0, "weak": False, "dropped": False},
        ],
        "residuals": residuals,
        "gains": [{"tile": name, "gain": [1.0, 1.01, 0.99], "offset": [0, 0, 0]} for name in names],
        "bed": {
            "axis_ratio": 1.0008,
            "travel_mm": [0, 50, 100, 150],
            "offset_x_mm": [0, 0.02, -0.01, 0],
            "offset_y_mm": [0, 0.05, 0.02, 0],
            "observed": [False, True, True, True],
        },
        "seams": {"cell_px": 16, "path": "canvas.seams.png"},
        "lift": [{"tile": names[1], "x": 10, "y": 12, "depth": 0.3}, {"tile": NASTY, "x": 5, "y": 5, "depth": 0.1}],
        "dust": {"replaced": 1, "spots": [{"x": 100, "y": 120, "radius_px": 3, "from": NASTY}]},
        "changes": [
            {
                "x": 90,
                "y": 80,
                "width_mm": 5,
                "height_mm": 4,
                "a": NASTY,
                "b": "b",
                "shown": "b",
                "mark": False,
                "whole": True,
            }
        ],
        "color": {"patches": [{"name": "1", "lab": [54.29, 80.81, 69.89], "after": [50, 0, 0], "de00_after": 20.0}]},
        "grades": [{"quantity": "mean dE2000", "value": 1.4, "grade": "four star"}],
        "steps": [{"step": "links", "seconds": 1.5, "numbers": {"links": 4}, "warnings": ["weak link"]}],
        "warnings": [f"{NASTY} is lifted at the left"],
        "versions": {"numpy": "2"},
        "settings": {"note": NASTY},
    }


# ------------------------------------------------------------------ tiles


@pytest.mark.parametrize("size", [(1100, 1700), (513, 512), (512, 512), (300, 90), (2049, 700)])
def test_tiles_put_together_are_the_picture_at_every_halving(size: tuple[int, int]) -> None:
    picture = _picture(*size)
    levels: dict[int, np.ndarray] = {}
    seen = set()
    for tile in pyramid_tiles.picture_tiles(Held(picture)):
        assert tile.name not in seen
        seen.add(tile.name)
        shape = [-(-side // 2**tile.halvings) for side in size]
        level = levels.setdefault(tile.halvings, np.full((*shape, 3), 300, np.int16))
        pixels = cv2.imdecode(np.frombuffer(tile.jpeg, np.uint8), cv2.IMREAD_COLOR)[..., ::-1]
        row, col = tile.row * pyramid_tiles.TILE, tile.col * pyramid_tiles.TILE
        level[row : row + pixels.shape[0], col : col + pixels.shape[1]] = pixels
    assert sorted(levels) == list(range(pyramid_tiles.halvings_of(size[1], size[0]) + 1))
    for halvings, level in levels.items():
        whole = [(0, -side % 2**halvings) for side in size]
        padded = np.pad(picture, (*whole, (0, 0)), mode="edge")
        wanted = cv2.resize(padded, level.shape[1::-1], interpolation=cv2.INTER_AREA)
        assert level.max() <= 255  # no hole is left
        # JPEG at quality 88 with halved color keeps strokes within 3 codes on average (measured), a picture moved by a
        # single pixel is already further off than what is allowed
        allowed = min(4.0, 0.8 * float(np.abs(np.roll(wanted, 2, 1).astype(np.int16) - wanted).mean() + 2))
        assert np.abs(level - wanted.astype(np.int16)).mean() < allowed
    assert max(levels[max(levels)].shape) <= pyramid_tiles.TILE


def test_tiles_are_srgb_whatever_the_profile() -> None:
    # IEC 61966-2-1: linear light 0.2159 (code 55 of 255) is sRGB code 128
    linear = _gamma_profile(1.0)
    gray = np.full((40, 40, 3), 55, np.uint8)
    shown = pyramid_tiles.srgb_view(linear, 3)(gray)
    assert np.abs(shown.astype(int) - 128).max() <= 2
    same = pyramid_tiles.srgb_view(truth.SRGB, 3)(gray)
    assert np.array_equal(same, gray)
    assert np.array_equal(pyramid_tiles.srgb_view(b"not a profile", 3)(gray), gray)
    assert pyramid_tiles.srgb_view(None, 1)(gray[..., :1]).shape == (40, 40, 3)


def _gamma_profile(gamma: float) -> bytes:
    """An sRGB profile whose tone curves are replaced by a plain gamma (ICC.1:2022, 10.6 curveType)."""
    data = bytearray(truth.SRGB)
    count = int.from_bytes(data[128:132], "big")
    curve = b"curv" + bytes(4) + (1).to_bytes(4, "big") + round(gamma * 256).to_bytes(2, "big")
    for entry in range(132, 132 + 12 * count, 12):
        if bytes(data[entry : entry + 4]) in (b"rTRC", b"gTRC", b"bTRC"):
            offset = int.from_bytes(data[entry + 4 : entry + 8], "big")
            data[offset : offset + len(curve)] = curve
            data[entry + 8 : entry + 12] = len(curve).to_bytes(4, "big")
    return bytes(data).replace("sRGB".encode("utf-16-be"), "flat".encode("utf-16-be"))


def test_sixteen_bits_and_alpha() -> None:
    picture = np.full((60, 80, 3), 0x8080, np.uint16)
    mask = np.full((60, 80), 65535, np.uint16)
    mask[:, 40:] = 0
    (tile,) = pyramid_tiles.picture_tiles(Held(picture, alpha=mask))
    pixels = cv2.imdecode(np.frombuffer(tile.jpeg, np.uint8), cv2.IMREAD_COLOR)
    assert abs(int(pixels[30, 10, 1]) - 128) <= 1
    assert abs(int(pixels[30, 70, 1]) - pyramid_tiles.NOTHING) <= 1


# ------------------------------------------------------------------ shapes


def test_seams_run_between_labels() -> None:
    labels = np.array([[1, 1, 2], [1, 1, 2], [3, 3, 3]], np.uint8)
    path = proof_shapes.label_borders(labels, 10)
    # pixel centers at whole numbers: cell 1 ends at 19.5
    assert set(re.findall(r"M[^M]+", path)) == {"M19.5 -0.5V19.5", "M-0.5 19.5H29.5"}
    assert proof_shapes.label_borders(np.zeros((4, 4), np.uint8), 10) == ""


def test_seam_map_is_only_read_beside_the_canvas(tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    cv2.imwrite(str(elsewhere / "map.png"), np.array([[1, 2]], np.uint8))
    record = {"seams": {"cell_px": 4, "path": str(elsewhere / "map.png")}}
    assert proof_shapes.seam_path(record, tmp_path / "canvas.tif") == ""
    assert proof_shapes.seam_path(record, elsewhere / "canvas.tif") != ""


def test_heat_and_arrows_tell_what_the_residuals_say() -> None:
    residuals = [{"x": 5, "y": 5, "dx": 3.0, "dy": 4.0}, {"x": 6, "y": 5, "dx": 0.0, "dy": 0.0}]
    residuals += [{"x": 900, "y": 900, "dx": 0.1, "dy": 0.0}]
    heat = proof_shapes.heat_cells({"residuals": residuals}, (1000, 1000))
    cells = {(col, row): (rms, count) for col, row, rms, count in heat["cells"]}
    assert cells[0, 0] == (pytest.approx(np.sqrt(25 / 2), abs=1e-3), 2)
    assert sum(count for _, count in cells.values()) == 3
    many = [{"x": i, "y": 0, "dx": float(i == 4321) * 9, "dy": 0.1} for i in range(9000)]
    drawn = proof_shapes.arrows({"residuals": many})
    assert len(drawn) == proof_shapes.MOST_ARROWS
    assert [4321.0, 0.0, 9.0, 0.1] in drawn


def test_pieces_are_outlined_where_they_lie() -> None:
    turned = {"tile": "a", "canvas_from_tile": [[0, -1, 50], [1, 0, 0], [0, 0, 1]]}
    record = {"inputs": [{"name": "a", "width": 31, "height": 21}], "placements": [turned]}
    (piece,) = proof_shapes.piece_outlines(record)
    assert piece["corners"] == [[50, 0], [50, 30], [30, 30], [30, 0]]


# ------------------------------------------------------------------ tables and page


def test_links_come_in_order_of_trouble() -> None:
    record = _record("c.tif", (400, 600))
    table = proof_tables.links_table(record, proof_shapes.link_centers(record))
    assert table is not None
    assert [line[1].word for line in table.lines] == ["dropped", "weak", "used", "used"]
    assert [line[3] for line in table.lines] == [3.0, 0.5, 0.3, 0.2]
    page = _page(record)
    assert re.findall(r">(dropped|weak|used)<", page) == ["dropped", "weak", "used", "used"]
    assert re.findall(r'<td class="n">(0\.2|0\.3)</td>', page)[:2] == ["0.3", "0.2"]


def test_what_is_not_known_is_not_said_to_be_nothing() -> None:
    record = {"links": [{"a": "x", "b": "y", "points": 0, "rms_px": None, "dropped": True}]}
    table = proof_tables.links_table(record, [])
    assert table is not None and table.lines[0][2:] == (0, "", "")
    dust = proof_tables.dust_table({"spots": [{"x": 10, "y": 20, "radius_px": 2}]}, 0)
    assert dust is not None and dust.head[0] == "x, px" and dust.lines[0] == (10, 20, 4)


def test_words_are_plain_or_explained() -> None:
    """No raw JSON stands in a table, and every trade word is explained in its section."""
    record = _record("c.tif", (400, 600))
    record["steps"] += [
        {"step": "tone", "numbers": {"words": "black at L* 29.9, white at L* 89.3"}},
        {"step": "odd", "numbers": {"by_piece": {NASTY: 3, "b": 4}, "rms_px": 0.12345678, "ends": [1, 2], "on": True}},
    ]
    record["settings"] = {"sliver": 0.3, "deep": {"list": [{"a": None}, {"b": [0, 1, 0.5]}]}}
    page = _page(record)
    assert "color, 16 bits" in page and "uint16" not in page
    assert "by piece 2 values · rms, pixels 0.123457 · ends 2 values · on yes" in page
    sections = dict(re.findall(r'<section id="(\w+)">(.*?)</section>', page, re.DOTALL))
    for anchor, word in [("links", "rms"), ("color", "dE"), ("color", "Lab"), ("steps", "L*"), ("steps", "sliver")]:
        assert f"<dt>{word}</dt>" in sections[anchor]
    assert "<dt>L*</dt>" not in sections["links"]
    assert "<dt>deep</dt><dd><dl><dt>list</dt>" in re.sub(r"\n", "", sections["steps"])
    assert ">0, 1, 0.5<" in re.sub(r"\n", "", sections["steps"])
    cells = re.findall(r"<td[^>]*>(.*?)</td>", page, re.DOTALL)
    assert len(cells) > 50
    assert not [cell for cell in cells if re.search(r"[{\[]", cell)]


def test_long_lists_are_cut_and_say_so() -> None:
    page = _page({"settings": {"places": list(range(1000, 1090))}})
    assert "1039, and 50 more, in the record" in page and "1040" not in page


def test_the_same_work_gives_the_same_page() -> None:
    """How long it took, and when, is in the record; pages of two runs are the same bytes."""
    pages = []
    for seconds in (1.5, 2.5):
        record = _record("c.tif", (400, 600)) | {"seconds": seconds, "started": f"2026-01-0{seconds:.0f}"}
        record["steps"] = [{"step": "links", "seconds": seconds, "numbers": {"seconds": seconds, "links": 4}}]
        record["steps"] += [{"step": "render", "numbers": {"rows_taken_from_an_earlier_run": seconds}}]
        record["deep"] = {"er": [{"seconds": seconds, "kept": 1}]}
        pages.append(_page(record))
    assert pages[0] == pages[1]


@pytest.mark.parametrize(
    ("lab", "css"),
    # ICC D50 Lab of sRGB colors; 200,150,100 and 128 gray are worked examples of the same conversion
    [((54.290, 80.814, 69.890), "#ff0000"), ((53.585, 0, 0), "#808080"), ((66.126, 14.999, 33.950), "#c89664")],
)
def test_swatches_show_the_color_meant(lab: tuple[float, float, float], css: str) -> None:
    found = proof_tables.lab_to_css(lab)
    wanted, got = (np.array([int(text[i : i + 2], 16) for i in (1, 3, 5)]) for text in (css, found))
    assert np.abs(wanted - got).max() <= 1


def _page(record: dict[str, Any]) -> str:
    shapes = proof_shapes.overlay_shapes(record, Path("canvas.tif"), (600, 400))
    return proof_page.page_html(record, proof_page.PageTiles(600, 400, 512, 1, "c_files"), shapes)


def test_names_cannot_become_markup() -> None:
    page = _page(_record("c.tif", (400, 600)))
    assert "<img src=x" not in page
    assert page.count("<script") == page.count("</script>") == 2  # data, and what works with it
    data = re.search(r'id="shapes">(.*?)</script>', page, re.DOTALL)
    assert data is not None
    assert NASTY in {piece["name"] for piece in json.loads(data[1])["pieces"]}


def test_policy_names_what_is_in_the_page_and_nothing_else() -> None:
    page = _page(_record("c.tif", (400, 600)))
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page)
    assert policy is not None
    scripts = re.findall(r'<script type="module">(.*?)</script>', page, re.DOTALL)
    assert len(scripts) == 1
    styles = re.findall(r"<style[^>]*>(.*?)</style>", page, re.DOTALL)
    for kind, texts in (("script-src", scripts), ("style-src", styles)):
        hashes = {base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in texts}
        listed = re.search(rf"{kind} ([^;]+)", policy[1])
        assert listed is not None
        assert set(listed[1].split()) == {f"'sha256-{value}'" for value in hashes}
    assert "default-src 'none'" in policy[1]
    assert not re.search(r"unsafe|https?:|\*", policy[1])
    assert not re.search(r"^import |\bfetch\(|XMLHttpRequest|importScripts", scripts[0], re.MULTILINE)
    outside = re.sub(r"<script type=.module.*?</script>", "", page, flags=re.DOTALL)
    assert not re.search(r'(?:src|href)="(?!#)', outside)


@pytest.mark.parametrize(
    "record",
    [
        {},
        {"links": None, "residuals": "x", "canvas": 3, "bed": [], "dust": None, "warnings": "no"},
        {"links": [{}], "inputs": [{}], "placements": [{"canvas_from_tile": [[1]]}], "residuals": [{}], "gains": [{}]},
        {"bed": {"travel_mm": [0], "offset_x_mm": [None]}, "color": {"patches": [{}]}, "grades": [{}], "steps": [{}]},
        {"command": "clean", "settings": {"a": float("nan")}, "seams": {"cell_px": 0, "path": 5}},
    ],
)
def test_any_record_gives_a_page(record: dict[str, Any]) -> None:
    page = _page(record)
    assert page.startswith("<!DOCTYPE html>")
    assert page.count("<section") == page.count("</section>")


def test_a_color_step_shows_patches_and_grades() -> None:
    rows = {
        "A1": {"reference": [54.29, 80.81, 69.89], "before": [50, 60, 50], "after": [54, 80, 69], "de00_before": 9.1},
        NASTY: {"reference": [53.585, 0, 0], "before": [50, 5, 5], "after": [53, 1, 0], "de00_after": 1.6},
    }
    grade = {
        "table": "Prints",
        "figures": [{"words": "color: mean difference", "value": 1.4, "unit": "dE", "stars": 4}],
    }
    numbers = {"kind": "linear", "de00_after": {"mean": 1.1, "max": 1.6}, "table": rows, "grade": grade, "dpi": 300}
    step = {
        "step": "color",
        "inputs": {"photo.tif": "ab" * 32},
        "numbers": numbers,
        "warnings": ["dim"],
        "settings": {},
    }
    page = _page(proof_records.page_record(step, Path("canvas.tif")))
    assert "Proof of color: canvas.tif" in page
    assert "#ff0000" in page  # the wanted red as a swatch
    assert "four stars" in page
    assert "dE after, mean <b>1.1</b>" in page and "dE after, largest <b>1.6</b>" in page and "de00" not in page
    assert "<img src=x" not in page
    assert page.index("&#39;quay") < page.index(">A1<")  # the patch with the larger rest comes first


# ------------------------------------------------------------------ writing


@pytest.fixture(scope="module")
def canvas(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A joined drawing, 16 bit, with its seam map."""
    folder = tmp_path_factory.mktemp("proof")
    picture = _picture(1300, 1900)
    path = folder / "canvas.tif"
    spec = MasterSpec(1300, 1900, 3, "uint16", False, 300, truth.SRGB)
    write_picture(path, spec, (picture.astype(np.uint16) * 257))
    labels = np.ones((82, 119), np.uint8)
    labels[:, 60:] += 1
    labels[41:] += 2
    cv2.imwrite(str(folder / "canvas.seams.png"), labels)
    return path


def test_small_picture_is_inside_the_page(canvas: Path, tmp_path: Path) -> None:
    page = tmp_path / "proof.html"
    written = proof.write_proof(page, _record("canvas.tif", (1300, 1900)), canvas)
    assert [path.name for path in tmp_path.glob("[!.]*")] == ["proof.html"]
    assert written["page_bytes"] == page.stat().st_size < 25e6
    assert written["tiles"] == 3 * 4 + 2 * 2 + 1  # 1900 x 1300 px in tiles of 512, halved twice
    before = page.read_bytes()
    proof.write_proof(page, _record("canvas.tif", (1300, 1900)), canvas)
    assert page.read_bytes() == before


def test_templates_are_loaded_only_for_a_page() -> None:
    words = "import sys, stitchbed.cli, stitchbed.report.page; sys.exit('jinja2' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", words], check=False).returncode == 0


def test_folder_of_tiles_is_renewed_but_no_other_folder(
    canvas: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(proof, "INSIDE_PIXELS", 0)
    page = tmp_path / "proof.html"
    for _ in range(2):
        written = proof.write_proof(page, {}, canvas)
    assert sorted(path.name for path in tmp_path.glob("[!.]*")) == ["proof.html", "proof_files"]
    assert written["tile_bytes"] == sum(path.stat().st_size for path in (tmp_path / "proof_files").rglob("*.jpg"))
    (tmp_path / "mine_files").mkdir()
    (tmp_path / "mine_files" / "letter.txt").write_text("keep")
    with pytest.raises(WouldTouchOriginal):
        proof.write_proof(tmp_path / "mine.html", {}, canvas)
    assert (tmp_path / "mine_files" / "letter.txt").read_text() == "keep"
    assert not (tmp_path / "mine.html").exists()


def test_proof_never_takes_the_place_of_its_canvas(canvas: Path, tmp_path: Path) -> None:
    before = hashlib.sha256(canvas.read_bytes()).digest()
    with pytest.raises(WouldTouchOriginal):
        proof.write_proof(canvas, {}, canvas)
    with pytest.raises(StitchbedError):
        proof.write_proof(tmp_path / "no" / "proof.html", {}, canvas)
    assert hashlib.sha256(canvas.read_bytes()).digest() == before


# ------------------------------------------------------------------ in a browser


@pytest.fixture(params=["inside", "beside"])
def page(
    request: pytest.FixtureRequest, browser: Any, canvas: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Any:
    """The page opened from a folder with a difficult name, tiles inside or beside."""
    monkeypatch.setattr(proof, "INSIDE_PIXELS", proof.INSIDE_PIXELS if request.param == "inside" else 0)
    folder = tmp_path / "harbor #9 & 50%"
    folder.mkdir()
    path = folder / "proof of quay #1.html"
    proof.write_proof(path, _record("canvas.tif", (1300, 1900)), canvas)
    browser.get("file://" + quote(str(path)))
    wait(browser, "return document.getElementById('stage').dataset.drawn === 'yes'")
    return browser


def _zoom(browser: Any) -> float:
    return float(browser.execute_script("return proof.viewer.view.scale"))


def test_page_opens_without_complaint_and_shows_the_picture(page: Any, canvas: Path, tmp_path: Path) -> None:
    shot = tmp_path / "shot.png"
    page.save_screenshot(str(shot))
    assert complaints(page) == []
    assert page.execute_script("return document.getElementById('missing').hidden")
    with Image.open(shot) as image:
        seen = np.asarray(image.convert("RGB").crop((400, 300, 1200, 800)), float)
    # the stage is neutral gray around a picture with color and strokes
    assert seen.std() > 15
    assert np.abs(seen[..., 0] - seen[..., 2]).max() > 40
    script = "return document.querySelectorAll('img, link, iframe, script[src]').length"
    assert page.execute_script(script) == 0


@pytest.mark.parametrize("name", ["pieces", "seams", "arrows", "heat", "dust", "changes", "lift"])
def test_overlays_toggle_by_click_and_by_key(page: Any, name: str) -> None:
    script = f"const g = document.getElementById('over-{name}'); return [g.style.display, g.childElementCount > 0]"
    button = page.find_element("css selector", f'[data-shows="{name}"]')
    assert page.execute_script(script) == ["none", True]
    button.click()
    assert page.execute_script(script) == ["", True]
    assert button.get_attribute("aria-pressed") == "true"
    key = button.find_element("css selector", "kbd").text
    page.find_element("css selector", "#picture").send_keys(key)
    assert page.execute_script(script) == ["none", True]
    assert complaints(page) == []


def test_overlay_lies_on_the_picture_at_every_zoom(page: Any) -> None:
    """The corner of the outline drawn for the second piece is where the viewer says that canvas pixel is.

    Names are written where pieces are wide enough for them, else their numbers.
    """
    page.find_element("css selector", '[data-shows="pieces"]').click()
    script = """
        const shape = document.querySelectorAll('#over-pieces polygon')[2], at = shape.points[0];
        const drawn = new DOMPoint(at.x, at.y).matrixTransform(shape.getScreenCTM());
        const frame = proof.viewer.element.getBoundingClientRect();
        const said = proof.viewer.fromImage([at.x, at.y]);
        return [at.x, drawn.x - frame.left - said[0], drawn.y - frame.top - said[1]];
    """
    drawn = "proof.viewer.zoomBy({}); return new Promise(done => proof.viewer.on('settled', () => done()))"
    names = []
    for factor in (1, 3, 3):
        page.execute_script(drawn.format(factor))
        x, dx, dy = page.execute_script(script)
        assert x == 950  # half of 1900 px: the second piece's left edge
        assert np.hypot(dx, dy) < 0.5  # screen px
        labels = page.execute_script(
            "return [...document.querySelectorAll('#over-pieces text')].map(t => t.textContent)"
        )
        names.append(labels)
    assert names[0] == ["1", "2", "3", "4"]
    assert names[-1] == ["quay_01.tif", "quay_02.tif", NASTY, "quay_04.tif"]


def test_zoom_works_by_buttons_and_keys(page: Any) -> None:
    home = _zoom(page)
    page.find_element("css selector", '[data-act="in"]').click()
    assert _zoom(page) == pytest.approx(1.6 * home, rel=1e-3)
    page.find_element("css selector", '[data-act="one"]').click()
    wait(page, "return document.getElementById('zoom').textContent === '100 %'")
    stage = page.find_element("css selector", "#picture")
    before = _zoom(page)
    stage.send_keys("-")
    wait(page, f"return proof.viewer.view.scale < {0.95 * before}")
    stage.send_keys("0")
    wait(page, f"return Math.abs(proof.viewer.view.scale / {home} - 1) < 1e-3")


def test_link_in_the_table_shows_its_place(page: Any) -> None:
    before = page.execute_script("return proof.viewer.toImage([300, 300])[0]")
    button = page.find_elements("css selector", "[data-link]")[0]
    page.execute_script("arguments[0].focus()", button)
    button.send_keys(ENTER)
    assert page.execute_script("return document.getElementById('over-shown').childElementCount") == 2
    assert page.execute_script("return proof.viewer.toImage([300, 300])[0]") != before
    assert "Showing" in page.execute_script("return document.getElementById('status').textContent")


def test_keyboard_reaches_everything(page: Any) -> None:
    """Tab alone visits every button, field, link, fold and scrolling part, in the order of the page."""
    from selenium.webdriver.common.action_chains import ActionChains

    found = f"[...document.querySelectorAll('{REACHED}')].filter(node => !node.disabled && node.checkVisibility()"
    found += " && !(node.type === 'radio' && !node.checked))"
    wanted = page.execute_script(f"return {found}.length")
    assert wanted > 40
    page.execute_script("document.activeElement.blur(); window.scrollTo(0, 0); window.visited = []")
    for _ in range(wanted + 2):
        ActionChains(page, duration=0).send_keys(TAB).perform()
        page.execute_script("window.visited.push(document.activeElement)")
    missed = f"{found}.filter(node => !window.visited.includes(node)).map(node => node.outerHTML.slice(0, 90))"
    assert page.execute_script(f"return {missed}") == []
    follows = "!i || all[i - 1].compareDocumentPosition(n) & 4 || n === document.body"
    order = f"return window.visited.every((n, i, all) => {follows})"
    page.execute_script("window.visited = [...new Set(window.visited)]")
    assert page.execute_script(order)


def test_phone_needs_no_sideways_scrolling(page: Any, tmp_path: Path) -> None:
    size = {"width": 390, "height": 844, "deviceScaleFactor": 2, "mobile": True}
    page.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    try:
        page.execute_script("return new Promise(done => setTimeout(done, 150))")
        assert page.execute_script("return document.documentElement.scrollWidth") <= 390
        # common practice, no source: 24 css px is the least for a finger (W3C WCAG 2.2, 2.5.8 says the same)
        heights = page.execute_script(
            "return [...document.querySelectorAll('button, select, summary')].map(b => b.offsetHeight).filter(h => h)"
        )
        assert len(heights) > 20 and min(heights) >= 24
        # however much there is to look at first, all of it is seen
        script = "const notes = document.querySelector('.notes'), line = notes.querySelector('li');"
        script += "for (let n = 0; n < 30; n++) line.parentNode.append(line.cloneNode(true));"
        script += "return [notes.scrollHeight - notes.clientHeight, notes.scrollWidth - notes.clientWidth]"
        assert page.execute_script(script) == [0, 0]
        page.save_screenshot(str(tmp_path / "phone.png"))
        assert (tmp_path / "phone.png").stat().st_size > 20_000
    finally:
        page.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    assert complaints(page) == []


def test_lost_folder_is_said(browser: Any, canvas: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(proof, "INSIDE_PIXELS", 0)
    path = tmp_path / "proof.html"
    proof.write_proof(path, {}, canvas)
    shutil.rmtree(tmp_path / "proof_files")
    browser.get("file://" + quote(str(path)))
    wait(browser, "return !document.getElementById('missing').hidden")
    complaints(browser)
