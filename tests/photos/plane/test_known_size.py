"""I check photos without a card: against the published homography of two photos of a wall, and a painted work."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from flat_photos import photo

from stitchbed.core.errors import BadSettings, CardNotFound
from stitchbed.photos.geometry.lens import distorted, plain_lens
from stitchbed.photos.geometry.plane_pose import photo_from_plane, plane_from_photo, through
from stitchbed.photos.plane import known_size, survey
from stitchbed.photos.plane.known_size import EITHER_WAY, _in_margin, _parted, _seen_askew, _way_reasons, survey_by_size
from stitchbed.photos.plane.survey import survey_plane
from stitchbed.photos.sides.edge_points import Side
from stitchbed.photos.sides.lines import sides_through
from stitchbed.photos.survey.photo import Photo, opened
from stitchbed.photos.survey.plane_types import Asked

WALL = Path("/usr/share/doc/opencv-doc/examples/data")  # Debian package opencv-doc
PUBLISHED_PX = 1.0  # rms


@pytest.mark.skipif(not (WALL / "H1to3p.xml").exists(), reason="the package opencv-doc is not installed")
def test_two_photos_of_a_wall_fit_as_published() -> None:
    """graf1 and graf3 of Mikolajczyk et al. (2005), "A comparison of affine region detectors", with H1to3p."""
    numbers = re.search(r"<data>(.*?)</data>", (WALL / "H1to3p.xml").read_text(), re.S)
    assert numbers is not None
    published = np.array([float(word) for word in numbers[1].split()]).reshape(3, 3)
    with opened([WALL / "graf1.png", WALL / "graf3.png"]) as (photos, _):
        plane = survey_plane(photos, Asked(size_mm=(800.0, 640.0)))
    grid = np.stack(np.meshgrid(np.linspace(0, 799, 41), np.linspace(0, 639, 33)), -1).reshape(-1, 2)
    true = through(published, grid)
    seen = np.all((true >= 0) & (true <= [799, 639]), axis=1)
    found = photo_from_plane(plane.fit, 1, plane_from_photo(plane.fit, 0, grid[seen]))
    assert np.sqrt(np.mean(np.sum((found - true[seen]) ** 2, axis=1))) < PUBLISHED_PX
    assert any("first photo as a whole" in warning for warning in plane.warnings)


# --- a work of known size, painted in perspective

CORNERS = np.array([[60.0, 50], [330, 70], [350, 250], [40, 240]])  # px
SIZE_MM = (270.0, 190.0)


def painted(*, seen: bool = True) -> list[Photo]:
    """A light quadrilateral on a dark table, or a table alone."""
    picture = np.full((300, 400, 3), 70, np.uint8)
    if seen:
        cv2.fillPoly(picture, [np.rint(CORNERS * 256).astype(np.int32)], (215, 210, 200), cv2.LINE_AA, 8)
    noise = np.random.default_rng(1).normal(0, 1.5, picture.shape)
    return [photo(np.clip(picture + noise, 0, 255).astype(np.uint8))]


def test_a_card_that_cannot_be_read_is_told_where_the_size_serves(monkeypatch: pytest.MonkeyPatch) -> None:
    """Too blurred, it was passed over without a word, and a wrong size stretched the work."""
    asked = Asked(size_mm=SIZE_MM)
    assert not any("rests on --size" in note for note in survey_plane(painted(), asked).warnings)
    with pytest.raises(CardNotFound, match="leave --printed-mm away"):
        survey_plane(painted(), replace(asked, printed_mm=(160.0, 160.0)))

    def unread(*_: object) -> None:
        raise CardNotFound(
            "a.tif shows a card, but too blurred to measure it", expected="a sharp card", attempt="focus"
        )

    monkeypatch.setattr(survey, "find_cards", unread)
    assert "too blurred to measure it; without it all rests on --size" in survey_plane(painted(), asked).warnings[-1]
    with pytest.raises(CardNotFound, match="too blurred"):
        survey_plane(painted(), replace(asked, printed_mm=(160.0, 160.0)))


@pytest.mark.parametrize("asked", [Asked(), Asked(corners=CORNERS)])
def test_the_work_s_corners_are_its_size_apart(asked: Asked) -> None:
    found = survey_by_size(painted(), asked, SIZE_MM)
    assert found.own_edges and not found.warnings
    rectangle = np.array([[0, 0], [SIZE_MM[0], 0], SIZE_MM, [0, SIZE_MM[1]]])
    assert np.abs(plane_from_photo(found.fit, 0, CORNERS) - rectangle).max() < 1.0  # about a pixel
    inside = np.array([[200.0, 150.0], [90.0, 200.0]])
    # through four corners goes one homography (OpenCV): the lens and the sides may move it little
    known = cv2.getPerspectiveTransform(CORNERS.astype(np.float32), rectangle.astype(np.float32))
    assert np.abs(plane_from_photo(found.fit, 0, inside) - through(known, inside)).max() < 1.5


def test_corners_met_by_straight_lines_do_not_bend_the_lens() -> None:
    """A barrel bends all four sides: where lines through their middles meet, the work's corners do not lie."""
    view = np.array([[3.9, 0.1, 75], [-0.05, 3.8, 85], [6e-5, 3e-5, 1]])
    lens = replace(plain_lens(1200, 900), k1=-0.054, k2=-0.002)
    rectangle = np.array([[0, 0], [SIZE_MM[0], 0], SIZE_MM, [0, SIZE_MM[1]]])
    share = np.linspace(0, 1, 50)[:, None]
    rim = np.concatenate([a + share * (b - a) for a, b in zip(rectangle, np.roll(rectangle, -1, 0), strict=True)])
    picture = np.full((900, 1200, 3), 70, np.uint8)
    seen = distorted(lens, through(view, rim))
    cv2.fillPoly(picture, [np.rint(seen * 256).astype(np.int32)], (215, 210, 200), cv2.LINE_AA, 8)
    noise = np.random.default_rng(1).normal(0, 1.5, picture.shape)
    found = survey_by_size([photo(np.clip(picture + noise, 0, 255).astype(np.uint8))], Asked(), SIZE_MM)
    away = plane_from_photo(found.fit, 0, distorted(lens, through(view, rectangle))) - rectangle
    assert np.abs(away).max() < 0.4  # mm; 1.1 when the corners counted


def test_width_and_height_the_other_way_round_are_refused() -> None:
    with pytest.raises(BadSettings, match=r"--size 190x270mm for a work that lies the other way"):
        survey_by_size(painted(), Asked(corners=CORNERS), (190.0, 270.0))
    survey_by_size(painted(), Asked(corners=CORNERS), (200.0, 210.0))  # nearly square: which way is no mistake


def test_an_oblique_photo_makes_no_work_lie_the_other_way() -> None:
    """Higher than wide, and seen from so low that it looks wider than high."""
    (one,) = painted()
    high = np.array([[108.0, 85], [292, 85], [357, 246], [43, 246]])
    assert _way_reasons(high, one, (160.0, 200.0)) == _way_reasons(high, one, (200.0, 160.0)) == [EITHER_WAY]
    assert not _way_reasons(CORNERS, one, SIZE_MM)


def test_a_photo_without_sides_or_corners_is_refused() -> None:
    with pytest.raises(CardNotFound, match="four sides do not stand out"):
        survey_by_size(painted(seen=False), Asked(), SIZE_MM)


# --- a long work in two photos, neither of which shows all of it

LONG_MM = (240.0, 110.0)
PX = 4.0  # of the scene, per mm


def halves() -> tuple[list[Photo], list[np.ndarray]]:
    """A blotched work on a plain table from the left and from the right, and the views from its own mm."""
    rng = np.random.default_rng(5)
    high, wide = (round((side + 60) * PX) for side in LONG_MM[::-1])
    scene = np.full((high, wide, 3), 60.0, np.float32)
    work = cv2.resize(rng.uniform(90, 250, (22, 48, 3)).astype(np.float32), (960, 440), interpolation=cv2.INTER_CUBIC)
    work += cv2.resize(rng.normal(0, 25, (110, 240, 3)).astype(np.float32), (960, 440), interpolation=cv2.INTER_CUBIC)
    scene[120:560, 120:1080] = work
    scene_from_mm = np.array([[PX, 0, 119.5], [0, PX, 119.5], [0, 0, 1.0]])
    pictures, views = [], []
    for left, lean in ((0, 2e-5), (500, -4e-5)):
        view = np.array([[1.0, 0.02, -left + 3], [-0.01, 1.0, 4], [lean, 1e-5, 1]])
        seen = cv2.warpPerspective(scene, view, (700, 660), flags=cv2.INTER_CUBIC, borderValue=(60, 60, 60))
        noisy = np.clip(seen + rng.normal(0, 1.5, seen.shape), 0, 255).astype(np.uint8)
        pictures.append(photo(noisy, f"{left}.jpg"))
        views.append(view @ scene_from_mm)
    return pictures, views


def test_parts_without_a_card_are_as_large_as_the_work_is_said_to_be() -> None:
    photos, views = halves()
    found = survey_by_size(photos, Asked(), LONG_MM)
    assert found.own_edges and [tie.a for tie in found.overlaps] == [0]
    assert (found.work.width, found.work.height) == pytest.approx(LONG_MM, abs=1e-6)
    x, y = np.meshgrid(np.linspace(0, LONG_MM[0], 25), np.linspace(0, LONG_MM[1], 12))
    grid = np.stack([x.ravel(), y.ravel()], 1)
    for number, view in enumerate(views):
        seen = through(view, grid)
        inside = np.all((seen >= 0) & (seen <= [699, 659]), axis=1)
        away = np.hypot(*(plane_from_photo(found.fit, number, seen[inside]) - grid[inside]).T)
        assert inside.sum() > 100 and away.max() < min(0.5, float(found.uncertainty.max()))  # mm


def test_sides_that_lie_on_two_lines_are_told() -> None:
    good, torn = Side("top", np.zeros((1, 2)), 0.1, 0.9), Side("left", np.zeros((1, 2)), 0.1, 0.6)
    assert _parted({0: {"top": good}}) == []
    (note,) = _parted({0: {"top": good, "left": torn}, 1: {"left": good}})
    assert "left side does not lie on one line" in note


@pytest.mark.parametrize("margin", [0, 14, 56])
def test_a_margin_that_looks_like_the_table_is_doubted(margin: int) -> None:
    """A dark picture on a grainy table, straight on it or in a pale calm margin."""
    rng = np.random.default_rng(7)
    view = rng.uniform(120, 240, (300, 400, 3))
    view[80 - margin : 220 + margin, 100 - margin : 300 + margin] = 200
    view[80:220, 100:300] = 40
    lines = sides_through(np.array([[100.0, 80], [299, 80], [299, 219], [100, 219]]))
    assert _in_margin(view.astype(np.uint8), lines) == (margin > 0)


def test_a_side_taken_at_the_picture_instead_of_the_margin_s_end_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    (one,) = painted()
    picture = CORNERS + [[20, 14], [-20, 14], [-20, -14], [20, -14]]
    cv2.fillPoly(one.small, [np.rint(picture).astype(np.int32)], (60, 50, 40))
    taken = CORNERS + [[20, 1], [0, 0], [0, 0], [20, 0]]  # the left side where the picture begins
    monkeypatch.setattr(known_size, "_corners", lambda *_: (taken, []))
    told = " ".join(survey_by_size([one], Asked(), SIZE_MM).warnings)
    assert "beyond its left side" in told
    assert "beyond its" not in " ".join(survey_by_size([one], Asked(corners=taken), SIZE_MM).warnings)


def test_slivers_between_lines_of_a_table_are_no_work() -> None:
    by_hand = np.array([(150.0, 90), (980, 40), (1010, 700), (90, 640)])
    assert _seen_askew(by_hand)
    assert not _seen_askew(np.array([(10.0, 1301), (1791, 1536), (1916, 989), (7, 1597)]))  # not convex
    assert not _seen_askew(np.array([(85.0, 587), (2030, 1285), (2013, 1569), (143, 1444)]))
