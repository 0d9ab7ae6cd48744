"""I rectify many synthetic photographs at full size and print how far the results are from the truth; run me by hand.

In: `python tests/benches/bench_rectify.py corners|beside [scenes] [first]`. Out: one line per scene, then a summary.

corners: a work of 600 x 420 mm with four corner cards, 24 megapixels. beside: the same with one full card at its side.
Each scene: tilt up to 25 degrees, 28 to 70 mm lens with k1 -.08 to .02, light falling off up to 2:1, vignetting, noise,
JPEG; a print of unequal scale whose check line is read off a ruler to .1 mm. About 10 s a scene on a slow core.
"""

from __future__ import annotations

import search_path  # noqa: F401  # first: the search path

import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import tifffile
from synthetic_camera import (
    Camera,
    Scene,
    aimed,
    find_dots,
    laid_beside,
    laid_round,
    painted,
    photo_from_scene,
    photograph,
    scene_with_cards,
)

from stitchbed.core.errors import StitchbedError
from stitchbed.imaging.transfer import to_linear, transfer_of
from stitchbed.photos.geometry.plane_pose import placed, plane_from_photo
from stitchbed.photos.plane.survey import survey_plane
from stitchbed.photos.survey.photo import opened
from stitchbed.photos.survey.plane_types import Asked, PlaneSurvey
from stitchbed.pipelines.rectify import RectifySettings, rectify

SIZE = (600.0, 420.0)
PHOTO = (6000, 4000)
DENSITY = 8.0
DPI = 100.0


def scene_of(kind: str, seed: int) -> tuple[Scene, Camera, np.ndarray, tuple[float, float], np.random.Generator]:
    """A scene, a camera aimed at it, the dots' true places, and the print's true stretch."""
    rng = np.random.default_rng(seed)
    work, dots = painted(SIZE, DENSITY, rng)
    scale, between = 1 + rng.normal(0, 0.003), rng.normal(0, 0.0003)
    printed = (scale + between, scale - between)
    pieces = laid_round(SIZE, rng) if kind == "corners" else laid_beside(SIZE, rng)
    table = tuple(rng.uniform(0.05, 0.5) * rng.uniform(0.85, 1, 3))
    scene = scene_with_cards(work, DENSITY, pieces, margin=240, table=table, printed=printed)
    field = (SIZE[0] + 225, SIZE[1] + 50) if kind == "corners" else (SIZE[0] + 430, SIZE[1] + 40)
    camera = aimed(rng, size=PHOTO, field_mm=field, tilt_deg=25)
    light = {"slope": rng.uniform(1, 2), "azimuth": rng.uniform(0, 6.28), "vignetting": rng.uniform(0, 0.3)}
    rest = {"blur": rng.uniform(0.5, 1.0), "noise": rng.uniform(0.003, 0.01), "jpeg": int(rng.integers(85, 96))}
    return scene, replace(camera, **light, **rest), dots, printed, rng


def rigid(src: np.ndarray, dst: np.ndarray) -> np.ndarray:
    """src moved and turned onto dst, without scale."""
    a, b = src - src.mean(0), dst - dst.mean(0)
    turn = np.arctan2(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]), np.sum(a * b))
    return placed(np.array([0, 0, turn]), a) + dst.mean(0)


def corners_scene(seed: int, folder: Path) -> tuple[float, ...]:
    """rms mm, max mm, scale error, size error mm, 1 when the light was evened."""
    scene, camera, dots, printed, rng = scene_of("corners", seed)
    photo, result = folder / "photo.png", folder / "result.tif"
    cv2.imwrite(str(photo), photograph(scene, camera, rng)[..., ::-1])
    asked = Asked(printed_mm=(round(160 * printed[0], 1), round(160 * printed[1], 1)))
    record = rectify([photo], result, RectifySettings(DPI, asked), progress=lambda *_: None)
    stored = tifffile.imread(result)
    light = to_linear(np.ascontiguousarray(stored), transfer_of(None)).mean(2)
    true = dots + np.array(SIZE) / 2
    numbers = record["numbers"]
    guess = true * (DPI / 25.4) - 0.5
    found = (find_dots(light, guess, DPI / 25.4) + 0.5) * 25.4 / DPI
    error = np.hypot(*(rigid(found, true) - true).T)
    spread = (found - found.mean(0), true - true.mean(0))
    scale = float(np.sqrt((spread[0] ** 2).sum() / (spread[1] ** 2).sum())) - 1
    size = max(abs(numbers["width_mm"] - SIZE[0]), abs(numbers["height_mm"] - SIZE[1]))
    return float(np.sqrt((error**2).mean())), float(error.max()), scale, size, float(numbers["light"][0] is not None)


def beside_scene(seed: int, folder: Path) -> tuple[float, ...]:
    """Worst corner error mm, worst statement mm, 1 when every corner lies within its statement."""
    scene, camera, _, printed, rng = scene_of("beside", seed)
    photo = folder / "photo.png"
    cv2.imwrite(str(photo), photograph(scene, camera, rng)[..., ::-1])
    asked = Asked(printed_mm=(round(160 * printed[0], 1), round(160 * printed[1], 1)))
    with opened([photo]) as (photos, _):
        plane: PlaneSurvey = survey_plane(photos, asked)
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array(SIZE) / 2
    got = plane_from_photo(plane.fit, 0, photo_from_scene(camera, corners))
    error = np.hypot(*(rigid(got, corners) - corners).T)
    return float(error.max()), float(plane.uncertainty.max()), float(np.all(error <= plane.uncertainty))


def main() -> None:
    """Run the scenes asked for."""
    kind = sys.argv[1]
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 100
    first = int(sys.argv[3]) if len(sys.argv) > 3 else 0
    rows, refused = [], 0
    with tempfile.TemporaryDirectory() as name:
        for seed in range(first, first + count):
            try:
                row = (corners_scene if kind == "corners" else beside_scene)(seed, Path(name))
            except StitchbedError as error:
                refused += 1
                sys.stdout.write(f"{seed}: refused: {error.found}\n")
                continue
            rows.append(row)
            sys.stdout.write(f"{seed}: {' '.join(f'{value:.5f}' for value in row)}\n")
            sys.stdout.flush()
    table = np.array(rows)
    sys.stdout.write(f"solved {len(rows)}, refused {refused}\n")
    for name, values in (("median", np.median(table, 0)), ("p95", np.percentile(np.abs(table), 95, 0)),
                         ("worst", np.abs(table).max(0)), ("mean", table.mean(0))):  # fmt: skip
        sys.stdout.write(f"{name}: {' '.join(f'{value:.5f}' for value in values)}\n")


if __name__ == "__main__":
    main()
