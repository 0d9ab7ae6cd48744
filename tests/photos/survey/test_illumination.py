"""I check that light put on a painted work is found again: from a blank sheet, from the board, or not at all."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from flat_photos import even_field, fit_of, photo, plane_of, scaled, stored

from stitchbed.core.errors import BadSettings
from stitchbed.photos.compositing.illumination import LightField, light_at
from stitchbed.photos.geometry.output_frame import Facing
from stitchbed.photos.survey.illumination import (
    CELL_MM,
    board_field,
    card_field,
    neutral_readings,
    on_canvas,
    places,
    survey_light,
)
from stitchbed.photos.survey.photo import Photo
from stitchbed.photos.survey.plane_types import PlaneSurvey

WORK = (240.0, 180.0)  # mm
ROOM = 90.0  # mm of board shown round it


def lamp(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Light at plane mm, falling to the right and down: its logarithm is a polynomial of the second order."""
    u, v = x / 200, y / 200
    return np.asarray(0.7 * np.exp(-0.25 * u - 0.10 * v - 0.05 * u * v - 0.04 * u**2))


def scene(*, board: float = 0.5, drawn: bool = True, room: float = ROOM) -> Photo:
    """The work with blots on it, on a board of one tone, at 1 px/mm."""
    x, y = np.meshgrid(np.arange(-room, WORK[0] + room) + 0.5, np.arange(-room, WORK[1] + room) + 0.5)
    tone = np.full(x.shape, board)
    inside = (x > 0) & (x < WORK[0]) & (y > 0) & (y < WORK[1])
    tone[inside] = 0.9
    if drawn:
        blots = np.random.default_rng(1).uniform(0.1, 0.9, (60, 60))
        tone[inside] = blots[(y[inside] / 3).astype(int) % 60, (x[inside] / 3).astype(int) % 60]
    return photo(stored((tone * lamp(x, y))[..., None].repeat(3, axis=2)))


def plane(photos: list[Photo], room: float = ROOM, **more: object) -> PlaneSurvey:
    """Photos straight on."""
    return plane_of(fit_of(photos, [scaled(1.0, -room, -room)] * len(photos)), WORK, **more)


def worst(field: LightField) -> float:
    """Share by which a field over the work differs from the lamp's, where it is brightest taken as one."""
    x, y = (grid.ravel() for grid in np.meshgrid(np.linspace(0, WORK[0], 13), np.linspace(0, WORK[1], 11)))
    true = lamp(x, y) / lamp(x, y).max()
    return float(np.abs(light_at(field, np.stack([x, y], 1)) / true[:, None] - 1).max())


def test_the_board_tells_the_light_on_the_work() -> None:
    photos = [scene()]
    field = board_field(photos, plane(photos), [None])
    assert field is not None and worst(field) < 0.02
    assert field.source == "board round the work"
    plain = [scene(drawn=False)]  # a work of one calm tone is no board
    field = board_field(plain, plane(plain), [None])
    assert field is not None and worst(field) < 0.02 and field.inliers > 0.98


def test_the_board_does_not_tell_where_the_work_s_edges_are_not_its_own_or_hardly_any_is_seen() -> None:
    photos = [scene()]
    assert board_field(photos, plane(photos, own_edges=False), [None]) is None
    narrow = [scene(room=4.0)]
    assert board_field(narrow, plane(narrow, 4.0), [None]) is None


def test_what_is_evened_already_leaves_an_even_board() -> None:
    photos = [scene()]
    field = board_field(photos, plane(photos), [None])
    again = board_field(photos, plane(photos), [field])
    assert again is not None and again.uneven < 0.02


def test_a_blank_sheet_tells_the_light() -> None:
    photos, blank = [scene()], scene(drawn=False, board=0.9)
    fields, notes = survey_light(photos, plane(photos), light="blank", blank=blank)
    assert notes == [] and fields[0] is not None
    assert fields[0].source == "blank sheet" and worst(fields[0]) < 0.01


def test_a_blank_photo_must_be_blank_and_of_the_same_size() -> None:
    photos = [scene()]
    with pytest.raises(BadSettings, match="one even sheet"):
        survey_light(photos, plane(photos), light="auto", blank=scene())
    other = photo(np.zeros((50, 60, 3), np.uint8), "small.jpg")
    with pytest.raises(BadSettings, match="another size"):
        survey_light(photos, plane(photos), light="auto", blank=other)


def test_the_best_source_there_is_and_none_where_none_can_tell() -> None:
    photos = [scene()]
    found, notes = survey_light(photos, plane(photos), light="auto", blank=None)
    assert found[0] is not None and found[0].source == "board round the work" and notes == []
    alone = plane(photos, own_edges=False)
    found, notes = survey_light(photos, alone, light="auto", blank=None)
    assert found == (None,) and "left as it is in" in notes[0]
    assert survey_light(photos, plane(photos), light="none", blank=None) == ((None,), [])
    for light in ("blank", "board", "card"):
        with pytest.raises(BadSettings, match=f"--light {light}"):
            survey_light(photos, alone, light=light, blank=None)


def test_without_cards_no_grays_tell() -> None:
    photos = [scene()]
    assert neutral_readings(photos[0], plane(photos), 0) == []
    assert card_field(photos, plane(photos), [None]) is None


def test_squares_are_where_they_are_and_only_whole_calm_ones_count() -> None:
    picture = np.full((60, 120, 3), 100, np.uint8)
    picture[:, 60:] = np.random.default_rng(1).integers(0, 256, (60, 60, 3))  # of no one tone
    picture[:30, :30] = 255  # burnt out
    photos = [photo(picture)]
    fit = fit_of(photos, [scaled(1.0)])
    seen = places(photos[0], fit, 0, Facing(0, 0, 0, 120.0, 90.0), 0.0)  # 30 mm more than the photo shows
    assert len(seen.xy) == (120 / CELL_MM) * (90 / CELL_MM)
    assert seen.xy[0] == pytest.approx((CELL_MM / 2, CELL_MM / 2))
    x, y = seen.xy.T
    burnt = (x < 30) & (y < 30)
    assert np.array_equal(seen.whole, (y < 60) & ~burnt)
    assert np.array_equal(seen.calm, seen.whole & (x < 60))
    assert np.allclose(seen.light[seen.calm], seen.light[seen.calm][0])
    wider = places(photos[0], fit, 0, Facing(0, 0, 0, 120.0, 90.0), 12.0)
    assert wider.xy.min() == pytest.approx(CELL_MM / 2 - 12)


def test_a_field_moves_with_its_frame() -> None:
    photos = [scene()]
    framed = plane_of(fit_of(photos, [scaled(1.0)]), WORK, margin=15.0)
    field = replace(even_field(0.5), center=np.array([120.0, 90.0]))
    assert on_canvas(field, framed).center == pytest.approx((135.0, 105.0))
