"""I check that cards are found to a few hundredths of a pixel, and that each kind of bad picture is named."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from synthetic_camera import Camera, Scene, aimed, laid_round, painted, photo_from_scene, photograph, scene_with_cards

from stitchbed.card.board import all_pieces, corner_piece, markers
from stitchbed.card.detection import SeenCard, _trouble, find_cards
from stitchbed.card.markers import find_markers, shown_sharpened
from stitchbed.core.errors import CardNotFound
from stitchbed.photos.geometry.plane_pose import placed

SIZE = (300.0, 210.0)
CORNER_RMS_PX = (
    0.005,
    0.05,
)  # per axis; .02 to .035 measured at 44 to 72 px a square, less would be too good to be true
CORNER_WORST_PX = 0.2


def gray(photo: np.ndarray) -> np.ndarray:
    return np.asarray(cv2.cvtColor(photo, cv2.COLOR_RGB2GRAY))


@pytest.fixture(scope="module")
def taken() -> tuple[Scene, Camera, np.ndarray]:
    """Four corner cards round a small work, at about 5 px/mm."""
    rng = np.random.default_rng(11)
    work, _ = painted(SIZE, 5.5, rng)
    scene = scene_with_cards(work, 5.5, laid_round(SIZE, rng), margin=150, table=(0.3, 0.25, 0.2))
    camera = aimed(rng, size=(2800, 1800), field_mm=(520, 240), tilt_deg=20)
    return scene, camera, gray(photograph(scene, camera, rng))


def test_corners_are_found_where_they_are(taken: tuple[Scene, Camera, np.ndarray]) -> None:
    scene, camera, photo = taken
    cards, warnings = find_cards(photo, "photo")
    assert [card.piece for card in cards] == [f"corner {n}" for n in (1, 2, 3, 4)] and not warnings
    for card in cards:
        true = photo_from_scene(camera, placed(scene.poses[card.piece], card.card_xy))
        error = card.photo_xy - true
        assert card.share == 1.0
        assert CORNER_RMS_PX[0] < error.std() < CORNER_RMS_PX[1]
        assert np.abs(error).max() < CORNER_WORST_PX
        assert card.blur_px == pytest.approx(camera.blur, abs=0.6)  # pixel, look-up and smoothing add to the lens


@pytest.mark.parametrize("turn", [cv2.ROTATE_180, cv2.ROTATE_90_CLOCKWISE])
def test_a_turned_picture_shows_the_same_cards(taken: tuple[Scene, Camera, np.ndarray], turn: int) -> None:
    """Upside down is no fault: markers say which corner is which."""
    cards, _ = find_cards(np.ascontiguousarray(cv2.rotate(taken[2], turn)), "photo")
    assert len(cards) == 4 and all(card.share == 1.0 for card in cards)


def one(light: np.ndarray, blur: float = 0.7) -> np.ndarray:
    """A card's own raster on a gray table, as 8-bit gray."""
    framed = cv2.copyMakeBorder(light.mean(2).astype(np.float32), 60, 60, 60, 60, cv2.BORDER_CONSTANT, value=0.3)
    return np.rint(255 * cv2.GaussianBlur(framed, (0, 0), blur) ** (1 / 2.2)).astype(np.uint8)


@pytest.fixture(scope="module")
def card_raster() -> np.ndarray:
    from synthetic_camera import card_light

    return card_light(corner_piece(1), 6.0)


def test_no_card() -> None:
    rng = np.random.default_rng(1)
    work, _ = painted((200, 150), 4.0, rng)
    with pytest.raises(CardNotFound, match="shows no reference card"):
        find_cards(np.rint(255 * work.mean(2) ** (1 / 2.2)).astype(np.uint8), "photo")


def test_mirrored(card_raster: np.ndarray) -> None:
    with pytest.raises(CardNotFound, match="mirrored"):
        find_cards(np.ascontiguousarray(one(card_raster)[:, ::-1]), "photo")


def test_half_a_card_is_refused_and_named(card_raster: np.ndarray) -> None:
    picture = one(card_raster)
    picture[:, 270:] = 90  # covered: three of the eight columns of squares are left
    with pytest.raises(CardNotFound, match=r"corner 1 card is left out: only \d+ of its 28 corners"):
        find_cards(picture, "photo")


def test_half_a_card_among_whole_ones_is_a_warning(taken: tuple[Scene, Camera, np.ndarray]) -> None:
    scene, camera, photo = taken
    covered = photo.copy()
    mm = np.array([[30, 0], [96, 0], [96, 74], [30, 74]], float)
    quad = photo_from_scene(camera, placed(scene.poses["corner 2"], mm))
    cv2.fillConvexPoly(covered, np.rint(quad).astype(np.int32), 120)
    cards, warnings = find_cards(covered, "photo")
    assert [card.piece for card in cards] == ["corner 1", "corner 3", "corner 4"]
    assert list(warnings) == ["corner 2"] and "corner 2" in warnings["corner 2"]


def without_markers(scene: Scene, camera: Camera, photo: np.ndarray, kept: int) -> np.ndarray:
    """A photo in which gray blots lie on all markers of corner 2 but one."""
    blotted = photo.copy()
    for number, mm in markers(corner_piece(2).boards[0]).items():
        if number != kept:
            quad = photo_from_scene(camera, placed(scene.poses["corner 2"], mm))
            cv2.fillConvexPoly(blotted, np.rint(quad).astype(np.int32), 130)
    return blotted


def test_one_marker_at_the_rim_of_a_card_shows_all_of_it(taken: tuple[Scene, Camera, np.ndarray]) -> None:
    """Beside it lie three corners or two; such cards were left out without a word."""
    scene, camera, photo = taken
    cards, left_out = find_cards(without_markers(scene, camera, photo, 120), "photo")
    assert [card.share for card in cards] == [1.0] * 4 and not left_out
    error = cards[1].photo_xy - photo_from_scene(camera, placed(scene.poses["corner 2"], cards[1].card_xy))
    assert error.std() < CORNER_RMS_PX[1]


def test_a_card_none_of_whose_markers_is_read_is_told(taken: tuple[Scene, Camera, np.ndarray]) -> None:
    scene, camera, photo = taken
    cards, left_out = find_cards(without_markers(scene, camera, photo, -1), "photo")
    assert [card.piece for card in cards] == ["corner 1", "corner 3", "corner 4"]
    assert list(left_out) == ["corner 2"] and "none of its markers" in left_out["corner 2"]
    x, y = photo_from_scene(camera, placed(scene.poses["corner 2"], np.array([[48.0, 30.0]])))[0]
    place = f"{'top' if y < photo.shape[0] / 2 else 'bottom'} {'left' if x < photo.shape[1] / 2 else 'right'}"
    assert place in left_out["corner 2"]


def test_the_one_card_of_four_that_does_not_show_is_told(taken: tuple[Scene, Camera, np.ndarray]) -> None:
    """As under fog or blur that leave nothing of its squares; two cards may be all that were laid."""
    scene, camera, photo = taken
    covered, silent = photo.copy(), []
    for name in ("corner 2", "corner 3"):
        outline = placed(scene.poses[name], np.array([[0, 0], [96, 0], [96, 74], [0, 74]], float))
        cv2.fillConvexPoly(covered, np.rint(photo_from_scene(camera, outline)).astype(np.int32), 120)
        silent.append(find_cards(covered, "photo")[1])
    assert list(silent[0]) == ["corner 2"] and "corner 2 is not seen" in silent[0]["corner 2"]
    assert not silent[1]


def test_markers_that_blur_hides_are_sought_where_a_card_has_them(card_raster: np.ndarray) -> None:
    """Not all over the picture again; a card that lies half outside of it has fewer."""
    picture = one(card_raster, 2.0)
    found = find_markers(picture)
    more = shown_sharpened(picture, found)
    assert len(found) < len(found | more) == 20
    for number, (quad,) in more.items():
        assert np.abs(quad - (6 * markers(corner_piece(1).boards[0])[number] + 59.5)).max() < 3
    half = np.ascontiguousarray(picture[:, :330])
    assert all(quad[:, 0].max() < 330 for (quad,) in shown_sharpened(half, find_markers(half)).values())


@pytest.mark.parametrize(
    ("square_px", "words"), [(20.0, "14 px large"), (26.0, "px large"), (40.0, "covered or cut off")]
)
def test_a_card_read_in_part_is_called_small_or_covered(square_px: float, words: str) -> None:
    corners = np.zeros((8, 2))
    assert words in _trouble(SeenCard("corner 1", corners, corners, 8 / 28, square_px, 0.8, 0.0), corner_piece(1))


def test_the_same_card_twice(card_raster: np.ndarray) -> None:
    picture = np.hstack([one(card_raster), one(card_raster)])
    with pytest.raises(CardNotFound, match="corner 1 card twice"):
        find_cards(picture, "photo")


def test_markers_that_are_too_small(card_raster: np.ndarray) -> None:
    """Squares of 15 px, markers of about 10."""
    picture = one(card_raster)
    small = cv2.resize(picture, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    with pytest.raises(CardNotFound, match=r"its markers are only (9|10|11|12) px large"):
        find_cards(np.asarray(small), "photo")


@pytest.mark.parametrize("blur", [3.5, 5.0, 9.0])
def test_out_of_focus(card_raster: np.ndarray, blur: float) -> None:
    """Squares of 60 px: at 3.5 some markers may be read and the blur is measured; beyond, only the chessboard shows."""
    with pytest.raises(CardNotFound, match=r"out of focus|too blurred"):
        find_cards(one(card_raster, blur), "photo")


@pytest.mark.parametrize("blur", [1.8, 2.8])
def test_blur_that_hides_markers_hides_no_corners(card_raster: np.ndarray, blur: float) -> None:
    """From the 5 of 20 markers that may be read at 2.8 px the corners are followed from square to square."""
    (card,), left_out = find_cards(one(card_raster, blur), "photo")
    assert card.share == 1.0 and not left_out
    assert card.blur_px == pytest.approx(blur, abs=0.2)
    assert np.abs(card.photo_xy - (6 * card.card_xy + 59.5)).max() < 0.1


def test_every_piece_is_found_alone() -> None:
    from synthetic_camera import card_light

    for piece in all_pieces():
        cards, _ = find_cards(one(card_light(piece, 5.0)), "photo")
        assert [card.piece for card in cards] == [piece.name]
        assert cards[0].share == 1.0 and cards[0].square_px == pytest.approx(50, rel=1e-3)


def test_seen_card_says_how_it_is_turned(card_raster: np.ndarray) -> None:
    seen: SeenCard = find_cards(np.ascontiguousarray(np.rot90(one(card_raster), -1)), "photo")[0][0]
    assert seen.turn == pytest.approx(np.pi / 2, abs=1e-3)
    assert replace(seen, turn=0.0).piece == "corner 1"
