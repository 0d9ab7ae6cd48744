"""I check how far evened light must come down, against light known beforehand."""

from __future__ import annotations

import numpy as np
import pytest
from flat_photos import even_field, fit_of, photo, plane_of, scaled, stored

from stitchbed.imaging.transfer import srgb_decode
from stitchbed.photos.survey import clipping
from stitchbed.photos.survey.clipping import BRIGHTEST, MORE_CUT_OFF, Headroom, cut_off_note, headroom_of

GAINS = np.ones((2, 3))


@pytest.fixture(autouse=True)
def few_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Fewer places than in earnest."""
    monkeypatch.setattr(clipping, "LOOKS", 40)


def sheet(light: float) -> np.ndarray:
    """80 x 60 mm of one tone at 1 px/mm."""
    return stored(np.full((60, 80, 3), light))


def room(pictures: list[np.ndarray], fields: list, gains: np.ndarray = GAINS) -> Headroom:
    """Photos straight on of the same work."""
    photos = [photo(pixels, f"{k}.jpg") for k, pixels in enumerate(pictures)]
    plane = plane_of(fit_of(photos, [scaled(1.0)] * len(photos)), (80.0, 60.0))
    return headroom_of(photos, plane, fields, gains)


@pytest.mark.parametrize(("light", "share"), [(0.6, 0.5), (0.6, 0.9), (0.9, 0.6)])
def test_the_brightest_evened_place_comes_down_to_the_bound(light: float, share: float) -> None:
    seen = float(srgb_decode(sheet(light)[0, 0, 0] / 255))
    found = room([sheet(light)], [even_field(share)])
    assert found.factor == pytest.approx(min(1.0, BRIGHTEST / (seen / share)), rel=1e-5)


def test_light_that_is_not_evened_stays_as_it_is() -> None:
    assert room([sheet(0.99)], [None]).factor == 1.0


def test_a_place_counts_as_the_photo_that_shows_it_darkest_has_it() -> None:
    shining = sheet(0.5)
    shining[20:40, 20:60] = stored(np.array([0.85]))
    fields = [even_field(0.8), even_field(0.8)]
    assert room([shining], fields[:1]).factor < 0.95
    assert room([shining, sheet(0.5)], fields).factor == 1.0
    lifted = np.array([[1.0] * 3, [2.0] * 3])  # the second photo was darker by half: its light counts doubled
    assert room([shining, sheet(0.5)], fields, lifted).factor == pytest.approx(room([shining], fields[:1]).factor)


def test_what_the_first_photo_has_cut_off_is_counted_and_tells_no_light() -> None:
    burnt = sheet(0.5)
    burnt[:30] = 255
    burnt[:, :40, 2] = 255
    found = room([burnt], [even_field(0.9)])
    assert found.cut_off == pytest.approx([0.5, 0.5, 0.75])
    assert found.factor == 1.0  # the burnt half would ask for less
    assert room([sheet(1.0)], [even_field(0.5)]).factor == 1.0  # nothing left that tells


def test_more_cut_off_than_the_photo_had_is_said() -> None:
    had = Headroom(1.0, np.array([0.1, 0.0, 0.0]))
    assert cut_off_note(np.array([0.1, MORE_CUT_OFF, 0.0]), had) == []
    assert cut_off_note(np.array([0.05, 0.02, 0.0]), had)[0].startswith("2.00% of the result")
