"""I check that photos which fit no one plane are refused by the name of the one that does not fit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from synthetic_camera import Camera, aimed, photo_from_scene

from stitchbed.card.board import corner_piece, saddles
from stitchbed.core.errors import CardNotFound
from stitchbed.photos.geometry.plane_pose import placed
from stitchbed.photos.solving.bundle_adjustment import solve_plane
from stitchbed.photos.solving.contradictions import refusal_of
from stitchbed.photos.solving.initial_guess import CardPoints, TiePoints
from stitchbed.photos.solving.plane_equations import PlaneSettings

PHOTO = (3000, 2000)
LEFT = {1: (-405.0, -225.0, 0.02), 4: (-400.0, 150.0, 0.0)}
RIGHT = {2: (310.0, -230.0, -0.05), 3: (312.0, 150.0, 1.6)}
ALL = LEFT | RIGHT
SETTINGS = PlaneSettings()


@pytest.fixture(scope="module")
def cameras() -> list[Camera]:
    rng = np.random.default_rng(5)
    first = aimed(rng, size=PHOTO, field_mm=(830, 470), tilt_deg=15)
    return [first, *(replace(aimed(rng, size=PHOTO, field_mm=(830, 470), tilt_deg=15), lens=first.lens) for _ in "ab")]


def cards_in(photo: int, camera: Camera, poses: Mapping[int, tuple[float, float, float]]) -> list[CardPoints]:
    rng = np.random.default_rng(photo)
    points = []
    for number, pose in poses.items():
        xy = saddles(corner_piece(number).boards[0])
        seen = photo_from_scene(camera, placed(np.array(pose), xy)) + 0.05 * rng.standard_normal(xy.shape)
        points.append(CardPoints(photo, f"corner {number}", xy, seen, 0.05))
    return points


def tied(cameras: list[Camera], a: int, b: int, astray: float = 0.0) -> TiePoints:
    work = np.random.default_rng(7).uniform([-250, -180], [250, 180], (100, 2))
    one, two = (photo_from_scene(cameras[i], work + astray * (i == b)) for i in (a, b))
    return TiePoints(a, b, one, two, 0.1)


def refused(cards: list[CardPoints], ties: list[TiePoints], count: int) -> str:
    sizes = [PHOTO] * count
    with pytest.raises(CardNotFound) as caught:
        solve_plane(sizes, cards, settings=SETTINGS, ties=ties)
    return str(refusal_of(caught.value, sizes, cards, SETTINGS, ties))


def test_the_photo_before_which_cards_were_moved_is_named(cameras: list[Camera]) -> None:
    moved = {number: (x + 25 * number, y, turn) for number, (x, y, turn) in ALL.items()}
    cards = [card for i, poses in enumerate((ALL, ALL, moved)) for card in cards_in(i, cameras[i], poses)]
    said = refused(cards, [], 3)
    assert "photo 3 does not fit the others" in said and "without moving" in said


def test_two_photos_that_contradict_each_other_are_not_told_to_hold_bent_cards(cameras: list[Camera]) -> None:
    """Each shows the two cards of its end, and the work was moved by 30 mm between them."""
    cards = [*cards_in(0, cameras[0], ALL), *cards_in(1, cameras[1], LEFT)]
    said = refused(cards, [tied(cameras, 0, 1, astray=30.0)], 2)
    assert "contradict each other" in said and "press" not in said


def test_a_photo_whose_own_cards_are_bent_is_named(cameras: list[Camera]) -> None:
    """Of two photos of the same cards, one with two that were printed at another size, on a diagonal."""
    cards = [*cards_in(0, cameras[0], ALL), *cards_in(1, cameras[1], ALL)]
    for index in (4, 7):  # corners 1 and 3
        pose = np.array(ALL[int(cards[index].card[-1])])
        cards[index] = replace(
            cards[index], photo_xy=photo_from_scene(cameras[1], placed(pose, cards[index].card_xy * 0.85))
        )
    said = refused(cards, [], 2)
    assert "those of photo 2 do not by themselves" in said and "press the cards flat" in said


def test_a_photo_alone_keeps_its_words(cameras: list[Camera]) -> None:
    error = CardNotFound("a", expected="b", attempt="c")
    assert refusal_of(error, [PHOTO], [], SETTINGS, []) is error
    assert refusal_of(error, [PHOTO] * 2, [], SETTINGS, []) is error
