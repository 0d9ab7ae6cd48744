"""I check that the demonstration set is what its truth.json says, and that it can be made again, byte for byte.

In: demo_tiles/ and tests/scenes/draw_demo.py. Out: pass or fail.
"""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import cv2
import demo_bed
import demo_scene
import draw_demo
import numpy as np
import pytest
import tifffile
from PIL import Image
from skimage.registration import phase_cross_correlation

from stitchbed.imaging import transfer as light

FOLDER = draw_demo.ROOT / "demo_tiles"
TRUTH: dict[str, Any] = json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))
PIECES = {piece["file"]: piece for piece in TRUTH["pieces"]}
CURVE = light.transfer_of(None)


def _linear(file: str) -> np.ndarray:
    with Image.open(FOLDER / file) as image:
        return light.to_linear(np.asarray(image), CURVE)


def _bed(shape: tuple[int, ...], dpi: float) -> tuple[np.ndarray, np.ndarray]:
    """Bed point (u, v) mm of every pixel, as truth.json's first line says."""
    return tuple(np.meshgrid(*((np.arange(n) + 0.5) * 25.4 / dpi for n in (shape[1], shape[0]))))


def _on_sheet(piece: dict[str, Any], u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """(..., 2) mm on the sheet: center + R(turn) ((u, v) - bed / 2)."""
    turn = np.deg2rad(piece["turn_deg"])
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return (np.stack([u, v], -1) - np.array(TRUTH["bed_mm"]) / 2) @ matrix.T + piece["center_mm"]


def _travel(axis: str, v: np.ndarray) -> np.ndarray:
    waves = TRUTH["travel"][axis]
    return sum(w["amplitude_mm"] * np.sin(2 * np.pi * v / w["period_mm"] + w["phase"]) for w in waves)


@pytest.fixture(scope="module")
def fine() -> np.ndarray:
    """The map in one piece at twice the scans' resolution, as the scanner saw it."""
    return demo_scene.draw(draw_demo.LUCK, 2 * TRUTH["dpi"] / 25.4)


@pytest.fixture(scope="module")
def sheet(fine: np.ndarray) -> np.ndarray:
    """The map in one piece at the scans' own resolution."""
    return draw_demo.reduced(fine)


def test_committed_files_are_the_recorded_ones() -> None:
    # beside the pieces lie the truth and a job file, and out/ once that was run
    found = sorted(path.name for path in FOLDER.iterdir() if path.suffix not in (".json", ".toml") and path.is_file())
    assert found == sorted(PIECES) and 6 <= len(found) <= 9
    for file, piece in PIECES.items():
        assert hashlib.sha256((FOLDER / file).read_bytes()).hexdigest() == piece["sha256"]
    # the set is meant to be small enough to live in the repository
    assert sum(path.stat().st_size for path in FOLDER.iterdir() if path.is_file()) < 12_000_000


def test_headers_carry_dpi_and_profile() -> None:
    profile = draw_demo.srgb_profile()
    for file in PIECES:
        if file.endswith(".tif"):
            with tifffile.TiffFile(FOLDER / file) as scan:
                page = scan.pages[0]
                assert page.iccprofile == profile and page.dtype == np.uint8 and page.samplesperpixel == 3
                assert page.tags[282].value == (TRUTH["dpi"], 1) and page.tags[296].value == 2  # TIFF 6.0: 2 = inch
        else:
            with Image.open(FOLDER / file) as image:
                assert image.info["icc_profile"] == profile and image.mode == "RGB"
                # pHYs counts pixels per meter: 100 dpi is stored as 3937 and read back as 99.9998
                assert image.info["dpi"][0] == pytest.approx(TRUTH["dpi"], abs=0.02)
    turns = [piece["turn_deg"] % 360 for piece in PIECES.values()]
    assert sum(abs(turn - 180) < 2 for turn in turns) == 1 and sum(abs(turn - 90) < 2 for turn in turns) == 1
    assert any(file.endswith(".png") for file in PIECES)


def test_pieces_cover_the_sheet_and_overlap() -> None:
    width, height = TRUTH["sheet_mm"]
    masks = []
    for piece in PIECES.values():
        bed = TRUTH["bed_mm"]
        corners = _on_sheet(piece, np.array([0, bed[0], bed[0], 0]), np.array([0, 0, bed[1], bed[1]]))
        mask = np.zeros((int(height), int(width)), np.uint8)
        cv2.fillConvexPoly(mask, np.round(corners).astype(np.int32), 1)
        masks.append(mask > 0)
    assert np.all(np.any(masks, axis=0))
    for i, j in ((0, 1), (1, 2), (2, 3), (4, 5), (5, 6), (0, 4), (2, 5), (3, 6)):  # neighbors in the row, then down
        shared = masks[i] & masks[j]
        rows, cols = np.nonzero(shared)
        across = min(np.ptp(rows), np.ptp(cols)) / TRUTH["bed_mm"][0 if j in (i + 1, 4) else 1]
        assert across >= 0.2, (i, j)


@pytest.mark.parametrize("file", sorted(PIECES))
def test_truth_says_where_each_piece_looks(file: str, sheet: np.ndarray) -> None:
    piece, scan, dpi = PIECES[file], _linear(file)[..., 1], TRUTH["dpi"]
    u, v = _bed(scan.shape, dpi)
    with_travel = _on_sheet(piece, u + _travel("u", v), v + _travel("v", v)) * dpi / 25.4 - 0.5
    straight = _on_sheet(piece, u, v) * dpi / 25.4 - 0.5
    maps = [np.moveaxis(at.astype(np.float32), -1, 0) for at in (with_travel, straight)]
    told = [cv2.remap(sheet[..., 1], *at, cv2.INTER_CUBIC) for at in maps]
    errors: tuple[list[float], list[float]] = ([], [])
    for row in range(60, scan.shape[0] - 180, 120):
        for col in range(60, scan.shape[1] - 180, 120):
            window = (slice(row, row + 120), slice(col, col + 120))
            if np.std(scan[window]) < 0.08:
                continue
            taper = np.outer(np.hanning(120), np.hanning(120))
            for picture, found in zip(told, errors, strict=True):
                a, b = ((p[window] - p[window].mean()) * taper for p in (scan, picture))
                shift, _, _ = phase_cross_correlation(a, b, upsample_factor=50, normalization=None)
                found.append(float(np.hypot(*shift)))
    assert len(errors[0]) >= 8
    # our own measure: medians 0.00-0.02 px, worst window 0.07 px (steps of 1/50 px); the travel alone reaches
    # 0.126 mm = 0.50 px at 100 dpi, which must show when it is left out
    assert np.median(errors[0]) <= 0.03 and np.max(errors[0]) < 0.12
    assert 0.3 < np.max(errors[1]) < 0.75


def test_truth_says_how_light_each_piece_is(sheet: np.ndarray) -> None:
    for file, piece in PIECES.items():
        scan, dpi = _linear(file), TRUTH["dpi"]
        u, v = _bed(scan.shape, dpi)
        at = _on_sheet(piece, u, v) * dpi / 25.4 - 0.5
        told = cv2.remap(sheet, *np.moveaxis(at.astype(np.float32), -1, 0), cv2.INTER_LINEAR)
        s = 2 * u / TRUTH["bed_mm"][0] - 1
        told = told * (1 - TRUTH["falloff"]["bend"] * s**2 - TRUTH["falloff"]["tilt"] * s)[..., None]
        flat = (slice(100, -100), slice(100, -100))  # clear of lifted edges and lid
        ratio = scan[flat].mean((0, 1)) / told[flat].mean((0, 1))
        assert ratio == pytest.approx(piece["gain"], abs=0.0015)  # our own measure: 0.0007


def test_glass_dust_lies_where_told() -> None:
    scans = np.stack([_linear(file)[..., 1] for file in PIECES])
    scans = scans / np.median(scans, axis=(1, 2), keepdims=True)
    brightest = scans.max(axis=0)  # where all seven are dark there is dust, whatever is drawn elsewhere
    specks = [grain for grain in TRUTH["glass_dust"] if min(grain["size_mm"]) > 0.35]
    assert len(TRUTH["glass_dust"]) == 10 and len(specks) >= 3
    for grain in specks:
        col, row = (round(c * TRUTH["dpi"] / 25.4 - 0.5) for c in grain["bed_mm"])
        assert brightest[row - 1 : row + 2, col - 1 : col + 2].min() < 0.6
    assert np.mean(brightest < 0.6) < 0.002


def test_another_process_makes_the_same_set(tmp_path: Path) -> None:
    """Its pixels at the scans' own resolution are compared below; here all that does not depend on resolution."""
    script = Path(draw_demo.__file__)
    subprocess.run([sys.executable, str(script), "--out", str(tmp_path), "--dpi", "20"], check=True)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([*PIECES, "truth.json"])
    again = json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))
    # poses and faults of the glass are the committed ones; loose dust falls by what luck the drawn pixels leave
    assert again["glass_dust"] == TRUTH["glass_dust"] and again["travel"] == TRUTH["travel"]
    for one, committed in zip(again["pieces"], TRUTH["pieces"], strict=True):
        assert all(one[key] == committed[key] for key in ("file", "center_mm", "turn_deg", "gain"))
        with Image.open(tmp_path / one["file"]) as small, Image.open(FOLDER / one["file"]) as large:
            assert np.allclose(small.size, np.array(large.size) * 20 / TRUTH["dpi"], atol=1)


def test_committed_pixels_come_out_again(fine: np.ndarray) -> None:
    rng = np.random.default_rng([draw_demo.LUCK, 2])
    grains = demo_bed.glass_dust(rng) + demo_bed.loose_dust(rng)
    piece = demo_bed.PIECES[0]
    again = demo_bed.scan(fine, piece, dpi=TRUTH["dpi"], grains=grains, rng=rng)
    with Image.open(FOLDER / piece.file) as image:
        off = np.abs(again.astype(int) - np.asarray(image))
    # drawn before the encoding tables of light had their present form: one value in a thousand rounds the other way
    assert off.max() <= 1 and np.mean(off > 0) < 0.002  # measured .0011


def test_whole_sheet_is_written(tmp_path: Path, fine: np.ndarray, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []
    monkeypatch.setattr(draw_demo.scene, "draw", lambda luck, scale: (asked.append((luck, scale)), fine)[1])
    out = tmp_path / "sheet.png"
    draw_demo.main(["--sheet", str(out), "--dpi", str(TRUTH["dpi"])])
    assert asked == [(draw_demo.LUCK, 2 * TRUTH["dpi"] / 25.4)]
    with Image.open(out) as image:
        assert image.size == (2338, 1653)  # 594 x 420 mm at 100 dpi: 2338.6 x 1653.5, the last half pixels left out
        assert image.info["icc_profile"] == draw_demo.srgb_profile()
        assert np.array_equal(np.asarray(image), light.to_stored(draw_demo.reduced(fine), "uint8", CURVE))
