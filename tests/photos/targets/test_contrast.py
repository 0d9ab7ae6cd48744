"""I photograph a measured card beside a work through a contrast curve, under uneven light, and want true color back."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from flat_photos import fit_of, photo, plane_of, scaled
from pipelines.test_color import MIXING, aside, table_of

from stitchbed.card.board import full_piece
from stitchbed.card.sheet import _piece_shapes
from stitchbed.color.cielab import de00, lab_from_xyz, xyz_from_lab
from stitchbed.color.profiles import xyz_from_profile
from stitchbed.color.tone import straightened
from stitchbed.core.arrays import Array
from stitchbed.core.errors import MixedTiles
from stitchbed.drawing.raster import pixels_of
from stitchbed.drawing.shapes import CardPage
from stitchbed.imaging.transfer import srgb_decode, srgb_encode, to_linear, transfer_of
from stitchbed.photos.survey.plane_types import Asked
from stitchbed.photos.targets.contrast import contrast_of, with_straight_tones
from stitchbed.pipelines.color import ColorSettings, correct_color
from stitchbed.pipelines.rectify import RectifySettings, rectify
from stitchbed.pipelines.texts.color import CONTRAST

PX = 4  # per mm
CURVE = 0.35  # v + CURVE v (1 - v) (2 v - 1) on encoded values: what pocket cameras do, from memory
WORK = (40, 60, 169, 130)  # mm: x, y, width, height
FIELD = 13  # mm of the squares of one color that the work consists of


WRONG, WRONG_LAB = "N2", [68.0, 0.0, 0.0]  # two digits of a line of the card's file changed places


def taken(folder: Path, curve: float = CURVE) -> tuple[Path, Path, Array, Array]:
    """Photo, measured values of the card in it, the work's colors (N, 3) Lab, their middles (N, 2) px."""
    rng = np.random.default_rng(5)
    piece = full_piece()
    lab = {p.name: np.array(p.lab) * [0.9, 0.8, 0.8] + rng.uniform(-2, 2, 3) + [5, 0, 0] for p in piece.patches}
    light = np.tile(xyz_from_lab(np.array([58.0, 3, 8])) @ MIXING, (300 * PX, 460 * PX, 1))
    page = pixels_of(CardPage(piece.width, piece.height, tuple(_piece_shapes(piece, 0, 0))), 25.4 * PX)
    card = (0.02 + 0.8 * srgb_decode(page / 255.0)) @ (0.8 * np.diag([1, 1.1, 0.95]))
    for patch in piece.patches:
        x, y, w, h = (round(v * PX) for v in (patch.x, patch.y, patch.width, patch.height))
        card[y : y + h, x : x + w] = xyz_from_lab(lab[patch.name]) @ MIXING
    light[20 * PX : 20 * PX + card.shape[0], 240 * PX : 240 * PX + card.shape[1]] = card
    x, y, w, h = WORK
    colors = np.stack([rng.uniform(35, 90, 130), *rng.uniform(-25, 25, (2, 130))], 1)
    squares = (xyz_from_lab(colors) @ MIXING).reshape(h // FIELD, w // FIELD, 3)
    light[y * PX : (y + h) * PX, x * PX : (x + w) * PX] = np.kron(squares, np.ones((FIELD * PX, FIELD * PX, 1)))
    middles = np.stack(np.meshgrid(x + (np.arange(w // FIELD) + 0.5) * FIELD, y + (np.arange(10) + 0.5) * FIELD), -1)
    light *= np.geomspace(1, 0.6, light.shape[1])[None, :, None]  # one lamp, at the left
    light += 0.002 * rng.standard_normal(light.shape)
    code = srgb_encode(np.clip(cv2.GaussianBlur(light, (0, 0), 0.6), 0, 1))
    code = code + curve * code * (1 - code) * (2 * code - 1)
    path = folder / "photo.tif"
    tifffile.imwrite(path, np.rint(65535 * code).astype(np.uint16))
    table = table_of({name: list(row) for name, row in lab.items()} | {WRONG: WRONG_LAB}, folder / "card.txt")
    return path, table, colors, middles.reshape(-1, 2) * PX - 0.5


def test_color_under_a_contrast_curve_and_uneven_light_is_true(tmp_path: Path) -> None:
    """Asked of us: dE2000 of the picture 1.0 on average and 2.0 for 95 of 100 places, under a curve of .35; here with
    one line of the card's file wrong."""
    path, table, colors, middles = taken(tmp_path)
    asked = Asked(printed_mm=(160.0, 160.0), keep_cards=True)
    record = rectify([path], tmp_path / "flat.tif", RectifySettings(80.0, asked, patches=table), progress=aside)
    assert record["numbers"]["tone_curve"] is not None
    assert any(warning.startswith(CONTRAST[:40]) for warning in record["warnings"])
    assert any(warning.startswith(f"patch {WRONG} was left out") for warning in record["warnings"])
    correct_color(tmp_path / "flat.tif", tmp_path / "true.tif", ColorSettings(patches=table), progress=aside)
    with tifffile.TiffFile(tmp_path / "true.tif") as file:
        stored, icc = file.pages[0].asarray(), file.pages[0].tags[34675].value
    rows, columns = stored.shape[:2]
    rim = np.array([[0, 0], [columns - 1, 0], [columns - 1, rows - 1], [0, rows - 1]], np.float32)
    to_result = cv2.getPerspectiveTransform(np.array(record["numbers"]["corners_px"], np.float32), rim)
    at = np.rint(cv2.perspectiveTransform(middles[None], to_result)[0]).astype(int)
    light = cv2.blur(to_linear(stored, transfer_of(icc)), (9, 9))[at[:, 1], at[:, 0]]
    difference = de00(lab_from_xyz(light @ xyz_from_profile(icc).T), colors)
    assert difference.mean() < 1.0 and np.percentile(difference, 95) < 2.0


def test_straight_tones_are_read_channel_by_channel_at_both_depths() -> None:
    bends = np.array([[0.4, -0.5, 0.1], [0.2, 0.0, 0.0], [-0.2, 0.3, 0.0]])
    for dtype, step in ((np.uint8, 1), (np.uint16, 257)):
        codes = (np.random.default_rng(1).integers(0, 256, (6, 5, 3)) * step).astype(dtype)
        straight = with_straight_tones(photo(codes.astype(np.uint8)), bends)
        true = straightened(to_linear(codes, transfer_of(None)), bends)
        assert to_linear(codes, straight.transfer) == pytest.approx(true, abs=1e-6)
        assert to_linear(codes.reshape(-1, 3), straight.transfer) == pytest.approx(true.reshape(-1, 3), abs=1e-6)
    alone = photo(np.zeros((4, 4, 3), np.uint8))
    assert with_straight_tones(alone, None) is alone


def test_gray_photos_tell_no_curve() -> None:
    gray = photo(np.full((20, 20, 1), 90, np.uint8))
    plane = plane_of(fit_of([gray], [scaled(1.0)]), (20.0, 20.0))
    with pytest.raises(MixedTiles, match="gray picture"):
        contrast_of([gray], replace(plane, seen=((),)), Path("card.txt"), lambda _: ([None], []))
