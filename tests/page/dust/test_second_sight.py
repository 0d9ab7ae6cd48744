"""I check that a second scan tells dust from drawing, dark and light, wherever and however it lay on the glass."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile

from stitchbed.core.errors import BadSettings
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.transfer import srgb_encode
from stitchbed.page.dust.classify import DustSettings
from stitchbed.pipelines.clean import CleanSettings, clean

DPI, SIDE = 300, 50  # mm
K = DPI / MM_PER_INCH
FINE = 4


def _drawing(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """(h, w) light at FINE px to the pixel of strokes, lone black dots, a solid with stars; (n, 3) x, y mm, star."""
    rng = np.random.default_rng(seed)
    light = np.full((round(SIDE * K) * FINE,) * 2, 0.84, np.float32)
    scale = K * FINE
    for _ in range(26):
        at = rng.uniform(3, SIDE - 3, 2)
        line = np.cumsum(np.vstack([at, rng.normal(0, 1.2, (9, 2))]), axis=0) * scale
        cv2.polylines(light, [np.rint(line).astype(np.int32)], False, 0.03, round(0.25 * scale))
    cv2.rectangle(light, (round(4 * scale), round(30 * scale)), (round(24 * scale), round(46 * scale)), 0.03, -1)
    marks = []
    for n in range(60):
        star = n % 2
        x, y = (rng.uniform(5, 23), rng.uniform(31, 45)) if star else rng.uniform(3, SIDE - 3, 2)
        cv2.circle(light, (round(x * scale), round(y * scale)), round(0.07 * scale), 0.84 if star else 0.03, -1)
        marks.append((x, y, star))
    return light, np.array(marks)


def _dusted(light: np.ndarray, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """The drawing with gray dust on it and light specks in its ink; (n, 3) x, y mm, light."""
    rng = np.random.default_rng(seed)
    made, scale, specks = light.copy(), K * FINE, []
    for n in range(50):
        pale = n % 5 == 0
        x, y = (rng.uniform(6, 22), rng.uniform(32, 44)) if pale else rng.uniform(3, SIDE - 3, 2)
        tone = 0.7 if pale else rng.uniform(0.08, 0.35)
        size = (round(rng.uniform(0.06, 0.16) * scale), round(rng.uniform(0.05, 0.1) * scale))
        cv2.ellipse(made, (round(x * scale), round(y * scale)), size, float(rng.uniform(0, 180)), 0, 360, tone, -1)
        specks.append((x, y, pale))
    return made, np.array(specks)


def _scan(
    path: Path, light: np.ndarray, seed: int, *, degrees: float = 0.0, gain: float = 1.0, blur: float = 0.5
) -> None:
    """What a scanner makes of it, turned about its middle and set down elsewhere on the glass."""
    middle = (light.shape[1] / 2 - 0.5, light.shape[0] / 2 - 0.5)
    turn = cv2.getRotationMatrix2D(middle, degrees, 1.0)
    turn[:, 2] += (3.3 * FINE, -5.7 * FINE) if degrees else (0, 0)
    lying = cv2.warpAffine(light, turn, light.shape[::-1], flags=cv2.INTER_LINEAR, borderValue=0.84)
    seen = cv2.resize(cv2.GaussianBlur(lying, (0, 0), blur * FINE), None, fx=1 / FINE, fy=1 / FINE,
                      interpolation=cv2.INTER_AREA)  # fmt: skip
    noise = 1.2 * np.random.default_rng(seed).standard_normal(seen.shape)
    codes = np.rint(np.clip(srgb_encode(np.clip(seen * gain, 0, 1).astype(np.float64)) * 255 + noise, 0, 255))
    tifffile.imwrite(path, codes.astype(np.uint8), photometric="minisblack", resolution=(DPI, DPI), resolutionunit=2)


def _near(picture: np.ndarray, x: float, y: float) -> np.ndarray:
    row, col = round(y * K), round(x * K)
    return picture[row - 3 : row + 4, col - 3 : col + 4].astype(float)


@pytest.mark.parametrize("degrees", [0.7, 180.4])
def test_what_only_one_scan_has_is_dust(tmp_path: Path, degrees: float) -> None:
    light, marks = _drawing(1)
    dusty, specks = _dusted(light, 2)
    _scan(tmp_path / "page.tif", dusty, 3)
    _scan(tmp_path / "other.tif", _dusted(light, 4)[0], 5, degrees=degrees, gain=0.93)
    _scan(tmp_path / "truth.tif", light, 3)
    truth, scanned = (tifffile.imread(tmp_path / f"{name}.tif") for name in ("truth", "page"))
    cleaned = []
    for n, other in enumerate((None, tmp_path / "other.tif")):
        target = tmp_path / f"clean{n}.tif"
        settings = CleanSettings(steps=("dust",), pictures=False, workers=1, dust=DustSettings(second=other))
        clean(tmp_path / "page.tif", target, settings)
        cleaned.append(tifffile.imread(target))
    for x, y, _ in marks:
        hidden = np.hypot(specks[:, 0] - x, specks[:, 1] - y).min() < 0.5
        if not hidden:
            assert np.abs(_near(cleaned[1], x, y) - _near(truth, x, y)).max() < 40
    left = np.zeros((2, 2))
    for x, y, pale in specks:
        was = np.abs(_near(scanned, x, y) - _near(truth, x, y)).max()
        if not pale and _near(truth, x, y).min() < 200:
            continue  # dust that touches a stroke may be the stroke's
        for n, made in enumerate(cleaned):
            left[n, int(pale)] += np.abs(_near(made, x, y) - _near(truth, x, y)).max() > max(12, 0.3 * was)
    assert left[0, 1] == 10
    assert left[1, 1] == 0
    assert left[1, 0] <= 1
    assert left[1, 0] < left[0, 0]


def test_another_sheet_is_refused(tmp_path: Path) -> None:
    _scan(tmp_path / "page.tif", _drawing(1)[0], 3)
    _scan(tmp_path / "other.tif", _drawing(7)[0], 4)
    settings = CleanSettings(steps=("dust",), pictures=False, dust=DustSettings(second=tmp_path / "other.tif"))
    with pytest.raises(BadSettings, match="does not show what the page shows"):
        clean(tmp_path / "page.tif", tmp_path / "out.tif", settings)
    assert not (tmp_path / "out.tif").exists()


def test_dust_close_beside_strokes_and_pale_hairs_goes_and_the_strokes_stay(tmp_path: Path) -> None:
    scale = K * FINE
    light = np.full((round(SIDE * K) * FINE,) * 2, 0.84, np.float32)
    rng = np.random.default_rng(11)
    for n in range(12):
        row = 4 + 3.5 * n
        line = np.array([(x, row + 0.5 * np.sin(x / 3)) for x in np.linspace(4, 46, 60)]) * scale
        cv2.polylines(light, [np.rint(line).astype(np.int32)], False, 0.03, round(0.25 * scale))
    for x, y in rng.uniform(3, SIDE - 3, (30, 2)):
        cv2.circle(light, (round(x * scale), round(y * scale)), round(0.2 * scale), 0.03, -1)
    dusty, specks = light.copy(), []
    for n in range(12):
        x = rng.uniform(8, 42)
        y = 4 + 3.5 * n + 0.5 * np.sin(x / 3) + 0.4
        cv2.circle(dusty, (round(x * scale), round(y * scale)), round(0.08 * scale), 0.2, -1)
        specks.append((x, y))
    hair = np.rint(np.array([(10, 5.6), (12, 5.7), (14, 5.5)]) * scale).astype(np.int32)
    cv2.polylines(dusty, [hair], False, 0.3, round(0.03 * scale))
    specks.append((12, 5.7))
    _scan(tmp_path / "page.tif", dusty, 3)
    _scan(tmp_path / "other.tif", light, 5, degrees=0.7, gain=0.93)
    _scan(tmp_path / "truth.tif", light, 3)
    settings = CleanSettings(
        steps=("dust",), pictures=False, workers=1, medium="ink", dust=DustSettings(second=tmp_path / "other.tif")
    )
    clean(tmp_path / "page.tif", tmp_path / "clean.tif", settings)
    made, truth = (tifffile.imread(tmp_path / f"{name}.tif").astype(float) for name in ("clean", "truth"))
    assert sum(np.abs(_near(made, x, y) - _near(truth, x, y)).max() > 40 for x, y in specks) <= 3
    drawn = truth < 60
    assert np.abs(made - truth)[drawn].max() < 40


def test_dots_of_a_pixel_stay_where_the_other_scan_is_less_sharp(tmp_path: Path) -> None:
    light, scale = _drawing(3)[0], K * FINE
    rng = np.random.default_rng(12)
    for x, y in rng.uniform(3, SIDE - 3, (60, 2)):
        cv2.circle(light, (round(x * scale), round(y * scale)), round(0.06 * scale), 0.03, -1)
    _scan(tmp_path / "page.tif", light, 3, blur=0.25)
    _scan(tmp_path / "other.tif", light, 5, degrees=0.7, blur=1.3)
    settings = CleanSettings(
        steps=("dust",), pictures=False, workers=1, medium="ink", dust=DustSettings(second=tmp_path / "other.tif")
    )
    record = clean(tmp_path / "page.tif", tmp_path / "clean.tif", settings)
    (step,) = record["numbers"]["steps"]
    assert step["numbers"]["second_lacks"] == 0
