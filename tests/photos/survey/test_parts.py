"""I check photos that show parts of a work: that they are known as such, leveled, and each shows its own part."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from flat_photos import fit_of, photo, plane_of, scaled, stored

from stitchbed.core.errors import BadSettings
from stitchbed.imaging.transfer import to_linear
from stitchbed.photos.compositing.illumination import LightField, light_at
from stitchbed.photos.survey import parts
from stitchbed.photos.survey.parts import WHOLE, highlights_in_parts, in_parts, survey_light_in_parts
from stitchbed.photos.survey.photo import Photo
from stitchbed.photos.survey.plane_types import PlaneSurvey

WORK = (320.0, 140.0)  # mm
SIZE = (140, 200)  # px of a photo, at 1 px/mm
LEFTS = (0.0, 60.0, 120.0)  # mm
EXPOSURES = (1.0, 0.7, 1.3)


def work() -> np.ndarray:
    """(140, 320) reflectance in squares of 12 mm, calm inside."""
    tones = np.random.default_rng(2).uniform(0.25, 0.6, (12, 27))
    return np.asarray(tones.repeat(12, axis=0).repeat(12, axis=1)[: int(WORK[1]), : int(WORK[0])])


def taken() -> list[Photo]:
    """Three photos in a row, each with an exposure of its own and the lens's fall-off."""
    y, x = (grid - (side - 1) / 2 for grid, side in zip(np.mgrid[: SIZE[0], : SIZE[1]], SIZE, strict=True))
    square = (x**2 + y**2) / (np.hypot(*SIZE) / 2) ** 2
    photos = []
    for k, (left, exposure) in enumerate(zip(LEFTS, EXPOSURES, strict=True)):
        part = work()[:, int(left) : int(left) + SIZE[1]]
        light = part * exposure * np.exp(-0.3 * square)
        photos.append(photo(stored(light[..., None].repeat(3, axis=2)), f"{k}.jpg"))
    return photos


def plane(photos: list[Photo]) -> PlaneSurvey:
    """Where they lie; the work's own edges tell nothing of its light."""
    return plane_of(fit_of(photos, [scaled(1.0, left) for left in LEFTS[: len(photos)]]), WORK, own_edges=False)


def test_parts_are_told_from_photos_of_the_whole() -> None:
    photos = taken()
    assert in_parts(photos, plane(photos))
    whole = [photo(np.zeros((140, 320, 3), np.uint8), f"{k}.jpg") for k in range(2)]
    laid = plane_of(fit_of(whole, [scaled(1.0)] * 2), WORK)
    assert not in_parts(whole, laid)
    part = [whole[0], photo(np.zeros((140, 300, 3), np.uint8), "part.jpg")]
    assert WHOLE > 300 / 320 and in_parts(part, plane_of(fit_of(part, [scaled(1.0)] * 2), WORK))
    assert not in_parts(photos[:1], plane(photos[:1]))  # one photo has nothing to be part of


def test_leveled_photos_show_the_work_alike() -> None:
    photos = taken()
    laid = plane(photos)
    fields, notes = survey_light_in_parts(photos, laid, light="auto", blank=None)
    assert any("nothing tells how evenly the work was lit as a whole" in note for note in notes)
    reference = []
    for one, field, left in zip(photos, fields, LEFTS, strict=True):
        x, y = (grid.ravel() for grid in np.meshgrid(np.arange(6, 200, 12), np.arange(6, 140, 12)))
        light = to_linear(np.ascontiguousarray(one.small[y, x][:, None]), one.transfer)[:, 0]
        true = work()[y, x + int(left)]
        reference.append(light / light_at(field, np.stack([x + left + 0.5, y + 0.5], 1)) / true[:, None])
    levels = [float(np.median(part)) for part in reference]
    assert levels == pytest.approx([levels[0]] * 3, rel=0.02)  # exposures are gone
    for part in reference:
        assert np.abs(part / levels[0] - 1).max() < 0.05  # and the lens's 26 % at the corners


def under_lamps(lean: float, bend: float = 0.0) -> tuple[list[Photo], Photo]:
    """Parts of a work moved under a camera and lamps that stand still, and a blank sheet there; one side is darker."""
    x = np.linspace(-1, 1, SIZE[1])
    lamps = np.broadcast_to(np.exp(lean * x - bend * x**2) * 0.6, SIZE)
    shots = [
        stored((work()[:, int(left) : int(left) + SIZE[1]] * lamps)[..., None].repeat(3, axis=2)) for left in LEFTS
    ]
    return [photo(one, f"{k}.jpg") for k, one in enumerate(shots)], photo(stored(lamps[..., None].repeat(3, axis=2)))


def unevenness(photos: list[Photo], fields: Sequence[LightField | None]) -> float:
    """How much the work's squares, evened out, differ from what they reflect, as the largest ratio of two."""
    ratios = []
    for one, field, left in zip(photos, fields, LEFTS, strict=True):
        x, y = (grid.ravel() for grid in np.meshgrid(np.arange(6, 200, 12), np.arange(6, 140, 12)))
        light = to_linear(np.ascontiguousarray(one.small[y, x][:, None]), one.transfer)[:, 0, 1]
        assert field is not None
        evened = light / light_at(field, np.stack([x + left + 0.5, y + 0.5], 1))[:, 1]
        ratios.append(evened / work()[y, x + int(left)])
    return float(np.concatenate(ratios).max() / np.concatenate(ratios).min())


def test_a_blank_sheet_tells_the_light_of_lamps_that_stand_still() -> None:
    photos, blank = under_lamps(0.25)
    without, _ = survey_light_in_parts(photos, plane(photos), light="auto", blank=None)
    fields, notes = survey_light_in_parts(photos, plane(photos), light="auto", blank=blank)
    assert notes == [] and all(field is not None and field.source == "blank sheet" for field in fields)
    assert unevenness(photos, fields) < 1.03 < unevenness(photos, without)
    taken_without = survey_light_in_parts(photos, plane(photos), light="none", blank=blank)[0]
    assert all(field is not None and field.source != "blank sheet" for field in taken_without)


def test_a_blank_sheet_under_other_lamps_is_refused() -> None:
    photos, _ = under_lamps(0.25)
    _, other = under_lamps(0.25, bend=0.5)
    with pytest.raises(BadSettings, match="overlaps of the parts still differ"):
        survey_light_in_parts(photos, plane(photos), light="auto", blank=other)
    with pytest.raises(BadSettings, match="does not show one even sheet"):
        survey_light_in_parts(photos, plane(photos), light="auto", blank=photos[0])


def test_a_blank_sheet_that_makes_exposures_differ_is_told() -> None:
    """Light that rises evenly across the frame looks like other exposures where the work was moved."""
    photos, _ = under_lamps(0.25)
    _, other = under_lamps(-0.3)
    _, notes = survey_light_in_parts(photos, plane(photos), light="auto", blank=other)
    assert any("exposures still differ by" in note for note in notes)


def test_no_source_that_cannot_tell() -> None:
    photos = taken()
    for light, words in (("blank", "without a blank photo"), ("board", "--light board"), ("card", "--light card")):
        with pytest.raises(BadSettings, match=words):
            survey_light_in_parts(photos, plane(photos), light=light, blank=None)


def test_photos_that_hardly_overlap_are_refused() -> None:
    photos = taken()[:2]
    apart = plane_of(fit_of(photos, [scaled(1.0), scaled(1.0, 196.0)]), WORK, own_edges=False)
    with pytest.raises(BadSettings, match="hardly overlap"):
        survey_light_in_parts(photos, apart, light="auto", blank=None)


def test_each_shows_its_own_part_and_shine_comes_from_the_neighbor(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parts, "GLANCE_LONG_PX", int(WORK[0]))
    light = work()[..., None].repeat(3, axis=2)
    spot = np.s_[50:90, 140:170]  # mm of the work, seen by all three
    pictures = []
    for k, left in enumerate(LEFTS):
        seen = light.copy()
        if k == 1:
            seen[spot] = 1.0
        pictures.append(photo(stored(seen[:, int(left) : int(left) + 200]), f"{k}.jpg"))
    found = highlights_in_parts(pictures, plane(pictures), [None] * 3)
    assert found.shares is not None and found.burnt == 0
    assert found.shown_by == pytest.approx(found.shares.weights.mean(axis=(1, 2)), abs=1e-5)
    assert sum(found.shown_by) == pytest.approx(1, abs=1e-4)
    assert found.shares.weights[0][:, :55].min() > 0.99  # none but the first sees it
    assert found.shares.weights[2][:, 265:].min() > 0.99
    assert found.shares.weights[1][spot].max() < 0.05


def test_what_is_burnt_out_where_one_photo_alone_sees_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parts, "GLANCE_LONG_PX", int(WORK[0]))
    light = work()[..., None].repeat(3, axis=2)
    light[30:70, 10:40] = 1.0
    pictures = [photo(stored(light[:, int(left) : int(left) + 200]), f"{left:g}.jpg") for left in LEFTS]
    found = highlights_in_parts(pictures, plane(pictures), [None] * 3)
    assert found.burnt == pytest.approx(46 * 36 / (140 * 320), rel=0.05)  # with 3 mm of room round it
    assert [(box["width"], box["height"]) for box in found.regions] == [(36.0, 46.0)]
