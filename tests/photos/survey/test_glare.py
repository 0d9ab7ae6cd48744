"""I check shine on works painted by hand: its share, its place, and that another photo without it is taken."""

from __future__ import annotations

import numpy as np
import pytest
from flat_photos import even_field, fit_of, photo, plane_of, scaled, stored

from stitchbed.imaging.transfer import srgb_decode
from stitchbed.photos.survey import glare
from stitchbed.photos.survey.glare import evened_view, highlights_of, on_work, sheen_note

WIDTH, HEIGHT, MARGIN = 140.0, 90.0, 10.0  # mm


@pytest.fixture(autouse=True)
def small_views(monkeypatch: pytest.MonkeyPatch) -> None:
    """One px/mm of the frame is enough here."""
    monkeypatch.setattr(glare, "GLANCE_LONG_PX", int(WIDTH + 2 * MARGIN))


def lit(light: float, spot: tuple[slice, slice] | None = None) -> np.ndarray:
    """The framed work of one tone, burnt out at a spot given in its own mm."""
    picture = np.full((110, 160, 3), light)
    if spot is not None:
        picture[10 + spot[0].start : 10 + spot[0].stop, 10 + spot[1].start : 10 + spot[1].stop] = 1.0
    return stored(picture)


def looked(*pictures: np.ndarray) -> glare.Highlights:
    """Highlights of photos straight on."""
    photos = [photo(pixels, f"{k}.jpg") for k, pixels in enumerate(pictures)]
    plane = plane_of(fit_of(photos, [scaled(1.0, -MARGIN, -MARGIN)] * len(photos)), (WIDTH, HEIGHT), MARGIN)
    return highlights_of(photos, plane, [None] * len(photos))


SPOT = (slice(20, 50), slice(60, 102))  # 30 x 42 mm: a tenth of the work


def test_one_photo_tells_its_shine_and_where_it_lies() -> None:
    found = looked(lit(0.5, SPOT))
    assert found.burnt == pytest.approx(0.1, abs=0.005)
    assert found.shares is None and found.replaced == 0
    assert len(found.regions) == 1
    assert looked(lit(0.5)).burnt == 0


def test_shine_on_the_margin_is_not_the_work_s() -> None:
    picture = lit(0.5)
    picture[:9] = 255
    for found in (looked(picture), looked(picture, picture)):
        assert found.burnt == 0 and found.regions == []


def test_another_photo_without_the_shine_is_taken_there() -> None:
    found = looked(lit(0.5, SPOT), lit(0.25))
    assert found.burnt == 0 and found.regions == []
    assert found.gains == pytest.approx(np.array([[1.0] * 3, [2.0] * 3]), rel=0.02)  # it was exposed half as long
    assert 0.1 < found.replaced < 0.2  # the spot with room round it
    assert found.shares is not None
    assert found.shares.weights[1][45, 91] > 0.99 and found.shares.weights[0][95, 20] > 0.99
    assert np.allclose(found.shares.weights.sum(axis=0), 1)


def test_what_shines_in_both_stays_burnt() -> None:
    assert looked(lit(0.5, SPOT), lit(0.5, SPOT)).burnt == pytest.approx(0.1, abs=0.005)


@pytest.mark.parametrize("density", [1.0, 2.0])
def test_the_work_lies_within_its_margin(density: float) -> None:
    photos = [photo(lit(0.5))]
    plane = plane_of(fit_of(photos, [scaled(1.0)]), (WIDTH, HEIGHT), MARGIN)
    mask = on_work(plane, (int(110 * density), int(160 * density)), density)
    rows, cols = np.nonzero(mask)
    assert (rows.min(), rows.max() + 1, cols.min(), cols.max() + 1) == tuple(density * np.array([10, 100, 10, 150]))
    assert mask.sum() == WIDTH * HEIGHT * density**2


def test_an_evened_view_is_divided_by_its_light() -> None:
    photos = [photo(lit(0.3))]
    plane = plane_of(fit_of(photos, [scaled(1.0, -MARGIN, -MARGIN)]), (WIDTH, HEIGHT), MARGIN)
    even, plain = evened_view(photos[0], plane, 0, even_field(0.6), 1.0)
    assert plain == pytest.approx(float(srgb_decode(lit(0.3)[0, 0, 0] / 255)), rel=1e-5)
    assert np.allclose(even, plain / 0.6, rtol=1e-5)
    assert evened_view(photos[0], plane, 0, None, 1.0)[0].shape == (110, 160, 3)


def test_sheen_in_a_single_photo_is_told_where_it_lies() -> None:
    y, x = np.indices((110, 160))
    sheen = 0.18 * np.exp(-((x - 110) ** 2 + (y - 50) ** 2) / (2 * 12**2))
    found = looked(stored(np.repeat((0.6 * (1 + sheen))[..., None], 3, axis=2)))
    (note,) = sheen_note(found)
    assert "brighter than around them at" in note and found.burnt == 0 and found.sheen is not None
    box = found.sheen.regions[0]
    assert box["x"] < 100 < box["x"] + box["width"] and box["y"] < 40 < box["y"] + box["height"]  # mm of the work
    assert sheen_note(looked(lit(0.6))) == []
