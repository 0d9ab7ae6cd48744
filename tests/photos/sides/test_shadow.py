"""I check that a shadow on the table is told from the work, and nothing else for one: on views drawn here."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitchbed.photos.sides.lines import corners_of, sides_through
from stitchbed.photos.sides.shadow import Shaded, out_of_shadow

WORK = np.array([[80.0, 60], [320, 60], [320, 240], [80, 240]])  # px, corners of the work
TABLE, BROWN = (0.35, 0.35, 0.35), (0.4, 0.25, 0.12)  # in light


def view(wide: float, soft: float, *, table: tuple[float, ...] = TABLE, strip: tuple[float, ...] = ()) -> np.ndarray:
    """A pale work whose shadow falls to the right; a strip of any light in the shadow's place if given."""
    x, y = np.meshgrid(np.arange(400.0), np.arange(300.0))
    inside = (x > 80) & (x < 320) & (y > 60) & (y < 240)
    grain = np.exp(0.04 * np.random.default_rng(3).standard_normal((300, 400, 1)))
    dark = cv2.GaussianBlur(((x > 80 + wide) & (x < 320 + wide) & (y > 60) & (y < 240)).astype(float), (0, 0), soft)
    light = np.array(table) * grain * (1 - 0.6 * dark[..., None])
    if strip:
        light = np.where((dark > 0.5)[..., None], strip, light)
    light[inside] = 0.8
    return np.rint(255 * cv2.GaussianBlur(light, (0, 0), 0.8) ** (1 / 2.2)).astype(np.uint8)


def found(picture: np.ndarray, right: float) -> dict[str, Shaded]:
    """Sides told to lie farther in, where the right one was taken `right` px too far out."""
    taken = WORK + right * np.array([[0, 0], [1, 0], [1, 0], [0, 0]])
    return out_of_shadow(picture, np.zeros(picture.shape[:2], bool), sides_through(taken))


@pytest.mark.parametrize(
    ("wide", "soft", "table", "sure"),
    [(9, 1, TABLE, False), (9, 1, BROWN, True), (20, 6, TABLE, True), (14, 4, TABLE, True)],
)
def test_a_side_at_its_shadow_s_end_is_brought_back(
    wide: float, soft: float, table: tuple[float, ...], sure: bool
) -> None:
    """A sharp one on gray may be a band of the work; of the table's brown, or fading out, it is none."""
    right = found(view(wide, soft, table=table), wide)
    assert set(right) == {"right"} and right["right"].sure == sure
    corners = corners_of({**sides_through(WORK), "right": right["right"].line})
    assert np.abs(corners - WORK).max() < 1.5


def test_what_is_no_shadow_stays() -> None:
    assert not found(view(9, 1, strip=(0.1, 0.2, 0.3)), 9)  # a band of another color
    assert not found(view(9, 1, strip=(0.6, 0.6, 0.6)), 9)  # a paler one
    assert not found(view(0, 1), 0)


def test_a_frame_all_round_is_no_shadow() -> None:
    """A darker margin lies at opposite sides alike."""
    picture = view(0, 1)
    picture[60:240, 80:320] = 110  # darker than the table, which has 158
    picture[72:228, 92:308] = 230
    assert not found(picture, 0)


def test_a_side_beyond_which_nothing_is_seen_stays() -> None:
    picture, hidden = view(9, 1), np.zeros((300, 400), bool)
    hidden[:, 330:] = True
    assert not out_of_shadow(picture, hidden, sides_through(WORK + 9 * np.array([[0, 0], [1, 0], [1, 0], [0, 0]])))
