"""I photograph a painting in three overlapping parts and check that they become one picture, true and without seams.

Photos are of 1.9 megapixels and a painting of 300 x 210 mm; sets of 24 megapixels are measured by bench_parts.py.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from photo_sets import PhotoSet, photo_set
from synthetic_camera import find_dots, photo_from_scene, photograph

from stitchbed.color.cielab import SPACES, de00, lab_from_xyz, xyz_from_rgb
from stitchbed.core.errors import BadSettings, CardNotFound
from stitchbed.imaging.transfer import to_linear, transfer_of
from stitchbed.photos.survey.plane_types import Asked
from stitchbed.pipelines.rectify import RectifySettings, rectify
from stitchbed.pipelines.texts.rectify import summary as rectify_summary

SIZE = (300.0, 210.0)
PHOTO = (1200, 1600)
DENSITY = 6.0
DPI = 100.0
SETTINGS = RectifySettings(DPI, Asked(printed_mm=(160.0, 160.0)))
AFFINE_PX = 0.5  # promised, rms; .02 measured
FIT_P95 = 1.2  # promised: dE2000 after one affine color fit, 95 %
SPOT, SPOT_MM = np.array([-42.0, 20.0]), 14.0  # shine, seen by the middle photo only; in its overlap with the first


def aside(*_: object) -> None:
    """A progress function that draws nothing."""


def shot(photos: PhotoSet, number: int, folder: Path, *, shine: bool = False) -> Path:
    """One of the photos; with shine or without."""
    scene = photos.scene
    if shine:
        spot = np.zeros(scene.light.shape[:2], np.float32)
        middle = (SPOT - scene.origin) * DENSITY
        cv2.circle(spot, (int(middle[0]), int(middle[1])), round(SPOT_MM * DENSITY), 1.0, -1)
        spot = cv2.GaussianBlur(spot, (0, 0), 3 * DENSITY)
        scene = replace(scene, light=scene.light + 2 * spot[..., None])
    path = folder / f"part {number}.png"
    pixels = photograph(scene, photos.cameras[number], np.random.default_rng(number))
    cv2.imwrite(str(path), pixels[..., ::-1], [cv2.IMWRITE_PNG_COMPRESSION, 1])
    return path


@pytest.fixture(scope="module")
def photos() -> PhotoSet:
    return photo_set(np.random.default_rng(1), size=SIZE, density=DENSITY, photo=PHOTO)


@pytest.fixture(scope="module")
def paths(photos: PhotoSet, tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("parts")
    return [shot(photos, number, folder) for number in range(len(photos.cameras))]


@pytest.fixture(scope="module")
def result(paths: list[Path]) -> tuple[np.ndarray, dict[str, object], str]:
    whole = paths[0].with_name("whole.tif")
    record = rectify(paths, whole, SETTINGS, progress=aside)
    return linear_of(whole), record, rectify_summary(record, whole)


def linear_of(path: Path) -> np.ndarray:
    return to_linear(np.ascontiguousarray(tifffile.imread(path)), transfer_of(None))


def fit_differences(light: np.ndarray, work: np.ndarray) -> np.ndarray:
    """(N,) dE2000 between softened pictures after one affine fit of color; softened, so that grain does not count."""
    truth = cv2.resize(work, light.shape[1::-1], interpolation=cv2.INTER_AREA)
    soft = [cv2.resize(cv2.GaussianBlur(p, (0, 0), 3), None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)[2:-2, 2:-2]
            .reshape(-1, 3).astype(float) for p in (light.astype(np.float32), truth)]  # fmt: skip
    design = np.column_stack([soft[0], np.ones(len(soft[0]))])
    fitted = design @ np.linalg.lstsq(design, soft[1], rcond=None)[0]
    lab = [lab_from_xyz(np.clip(rgb, 0, 1) @ xyz_from_rgb(SPACES["srgb"]).T) for rgb in (fitted, soft[1])]
    return de00(*lab)


def test_places_are_true(photos: PhotoSet, result: tuple[np.ndarray, dict[str, object], str]) -> None:
    light, record, _ = result
    true = (photos.dots + np.array(SIZE) / 2) * (DPI / 25.4) - 0.5
    found = find_dots(light.mean(2), true, DPI / 25.4)
    assert np.hypot(*(found - true).T).max() * 25.4 / DPI < 0.4  # mm, as promised of a single photo
    design = np.column_stack([found, np.ones(len(found))])
    left = design @ np.linalg.lstsq(design, true, rcond=None)[0] - true
    assert np.sqrt(np.mean(np.sum(left**2, axis=1))) < AFFINE_PX / 5
    numbers = record["numbers"]
    assert numbers["width_mm"] == pytest.approx(SIZE[0], abs=0.3)  # type: ignore[index]
    assert numbers["height_mm"] == pytest.approx(SIZE[1], abs=0.3)  # type: ignore[index]


def test_no_seam_shows(photos: PhotoSet, result: tuple[np.ndarray, dict[str, object], str]) -> None:
    """Exposures differ by up to a fifth and corners lose a quarter of their light before."""
    light, record, text = result
    assert np.percentile(fit_differences(light, photos.work), 95) <= FIT_P95
    numbers = record["numbers"]
    assert len(numbers["shown_by"]) == 3 and min(numbers["shown_by"]) > 0.15  # type: ignore[index]
    assert sum(numbers["shown_by"]) == pytest.approx(1, abs=0.01)  # type: ignore[index]
    assert max(one["rms_px"] for one in numbers["overlaps"]) < 0.2  # type: ignore[index]
    assert "Put together from 3 photos" in text and text.count("Light:") == 1


def test_a_photo_without_a_card_is_placed_by_what_it_shares(
    result: tuple[np.ndarray, dict[str, object], str],
) -> None:
    _, record, _ = result
    assert {one["photo"] for one in record["numbers"]["cards"]} == {1, 3}  # type: ignore[index]
    assert not any("card" in warning for warning in record["warnings"])  # type: ignore[attr-defined]


def test_shine_comes_from_the_photo_without(
    photos: PhotoSet, paths: list[Path], result: tuple[np.ndarray, dict[str, object], str], tmp_path: Path
) -> None:
    """The middle photo, which would show the place, shines there; the same place, whoever shows it, must be alike."""
    at = np.rint((SPOT + np.array(SIZE) / 2) * (DPI / 25.4)).astype(int)
    seen = photo_from_scene(photos.cameras[0], SPOT[None])[0]
    assert np.all((seen > 60) & (seen < np.array(PHOTO) - 60))  # the first photo does see it
    shining = [paths[0], shot(photos, 1, tmp_path, shine=True), paths[2]]
    record = rectify(shining, tmp_path / "whole.tif", SETTINGS, progress=aside)
    light, reach = linear_of(tmp_path / "whole.tif"), round(1.4 * SPOT_MM * DPI / 25.4)
    box = (slice(at[1] - reach, at[1] + reach), slice(at[0] - reach, at[0] + reach))
    blurred = [cv2.GaussianBlur(p.astype(np.float32), (0, 0), 2)[box] for p in (light, result[0])]
    assert np.abs(blurred[0] - blurred[1]).max() < 0.05  # the shine adds 2
    shown_by = [numbers["shown_by"][1] for numbers in (record["numbers"], result[1]["numbers"])]  # type: ignore[index]
    assert shown_by[0] < shown_by[1] - 0.01  # the spot with its rim is 2 % of the work
    assert record["numbers"]["burnt_out"] == 0
    assert np.percentile(fit_differences(light, photos.work), 95) <= FIT_P95


def test_photos_that_share_nothing_are_refused(paths: list[Path], tmp_path: Path) -> None:
    with pytest.raises((CardNotFound, BadSettings), match=r"shares neither a card|hardly overlap"):
        rectify([paths[0], paths[2]], tmp_path / "no.tif", SETTINGS, progress=aside)
    assert not (tmp_path / "no.tif").exists()
    with pytest.raises(BadSettings, match="does not show one even sheet"):
        rectify(paths, tmp_path / "no.tif", replace(SETTINGS, blank=paths[0]), progress=aside)
