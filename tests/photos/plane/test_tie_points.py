"""I check that a link through a repeated motif does not spoil what true links and cards say."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from flat_photos import fit_of, photo, scaled
from synthetic_camera import Camera, aimed, photo_from_scene

from stitchbed.card.board import corner_piece, saddles
from stitchbed.photos.geometry.plane_pose import PlaneFit, placed
from stitchbed.photos.plane.tie_points import believed, fine_ties, loose_overlaps, overlaps_of, strongest
from stitchbed.photos.solving.bundle_adjustment import solve_plane
from stitchbed.photos.solving.initial_guess import CardPoints, TiePoints, in_sigmas
from stitchbed.photos.solving.plane_equations import PlaneSettings

PHOTO = (3000, 2000)
EXACT = PlaneSettings(scale=1e-7, stretch=1e-7)
POSES = {1: (-405, -225, 0.02), 2: (310, -230, -0.05), 3: (312, 150, 1.6), 4: (-400, 150, 0.0)}
NOISE_PX = 0.1


@dataclass(frozen=True)
class Sized:
    """As much of a photo as is asked for here."""

    size: tuple[int, int] = (PHOTO[1], PHOTO[0])


@dataclass(frozen=True)
class Named:
    """A name."""

    name: str


@dataclass(frozen=True)
class Shot:
    """Something with a named tile."""

    tile: Named


def tie(cameras: dict[int, Camera], a: int, b: int, count: int, rng: np.random.Generator) -> TiePoints:
    work = rng.uniform([-250, -180], [250, 180], (count, 2))
    seen = [photo_from_scene(cameras[i], work) + NOISE_PX * rng.standard_normal(work.shape) for i in (a, b)]
    return TiePoints(a, b, seen[0], seen[1], NOISE_PX)


@pytest.fixture(scope="module")
def solved() -> tuple[PlaneFit, list[TiePoints]]:
    """Three photos, cards in the first; the link of the first and last leads 40 mm astray."""
    rng = np.random.default_rng(1)
    first = aimed(rng, size=PHOTO, field_mm=(830, 470), tilt_deg=15)
    rest = [replace(aimed(rng, size=PHOTO, field_mm=(830, 470), tilt_deg=15), lens=first.lens) for _ in range(2)]
    cameras = dict(enumerate([first, *rest]))
    points = []
    for number, pose in POSES.items():
        xy = saddles(corner_piece(number).boards[0])
        seen = photo_from_scene(first, placed(np.array(pose), xy)) + 0.05 * rng.standard_normal(xy.shape)
        points.append(CardPoints(0, f"corner {number}", xy, seen, 0.05))
    wrong = tie(cameras, 0, 2, 19, rng)
    wrong = replace(wrong, xy_b=wrong.xy_b + photo_from_scene(rest[1], np.array([[40.0, 0]]))
                    - photo_from_scene(rest[1], np.zeros((1, 2))))  # fmt: skip
    ties = [wrong, tie(cameras, 0, 1, 150, rng), tie(cameras, 1, 2, 150, rng)]
    return solve_plane([PHOTO] * 3, points, settings=EXACT, ties=strongest(ties, 3)), ties


def test_the_strongest_ties_hang_all_photos_together(solved: tuple[PlaneFit, list[TiePoints]]) -> None:
    assert [(one.a, one.b) for one in strongest(solved[1], 3)] == [(0, 1), (1, 2)]


def test_a_tie_that_others_contradict_is_dropped(solved: tuple[PlaneFit, list[TiePoints]]) -> None:
    fit, ties = solved
    kept = believed([Sized()] * 3, fit, ties)  # type: ignore[list-item]
    assert [(one.a, one.b) for one in kept] == [(0, 1), (1, 2)]


def test_overlaps_are_told_as_they_are(solved: tuple[PlaneFit, list[TiePoints]]) -> None:
    """Noise of both photos is left, per axis; the wrong link shows by its size."""
    fit, ties = solved
    wrong, *right = overlaps_of(fit, ties)
    for one in right:
        assert one.points > 140 and 0.1 < one.rms_px < 0.2
    assert wrong.rms_px > 20
    named = [Named(name) for name in ("left.jpg", "middle.jpg", "right.jpg")]
    (said,) = loose_overlaps([Shot(name) for name in named], [wrong, *right])  # type: ignore[misc, list-item]
    assert said.startswith("left.jpg and right.jpg fit each other only to")


def test_light_that_falls_off_ties_nothing() -> None:
    """Windows that hold a ramp of light and grain looked alike wherever they were laid, and led astray by pixels."""
    rng = np.random.default_rng(3)
    y, x = np.mgrid[:400, :600]
    pictures = []
    work = np.full((400, 600), 120.0)
    dots = np.stack([rng.uniform(60, 280, 30), rng.uniform(60, 340, 30)], 1)
    for at in dots:
        work += 60 * np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / (2 * 2.5**2))
    for lean in (0.08, 0.1):
        seen = work + lean * (x + y) + rng.normal(0, 1.0, work.shape)
        pictures.append(photo(np.clip(np.rint(seen), 0, 255).astype(np.uint8)[..., None].repeat(3, axis=2)))
    fit = fit_of(pictures, [scaled(1.0), scaled(1.0)])
    empty = np.stack([rng.uniform(340, 560, 40), rng.uniform(40, 360, 40)], 1)
    rough = TiePoints(0, 1, np.concatenate([dots, empty]), np.concatenate([dots, empty]), 0.25)
    (fine,) = fine_ties(pictures, fit, [rough])
    assert fine.whitener is not None and len(fine.xy_a) >= 20
    assert (fine.xy_a[:, 0] < 320).all()
    assert np.abs(fine.xy_b - fine.xy_a).max() < 0.5
    sigmas = in_sigmas(fine, fine.xy_a)
    assert np.percentile(np.abs(sigmas), 90) < 2  # as sure as it says
