"""I check that the shadow of a work that lies high is told, and no pattern or light of a table for one: views drawn."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest
from flat_photos import fit_of, photo, scaled

from stitchbed.core.arrays import Array
from stitchbed.photos.geometry.plane_pose import on_frame
from stitchbed.photos.plane.doubts import doubts_of
from stitchbed.photos.plane.solution import Solution
from stitchbed.photos.sides.cast_shadow import cast_shadows
from stitchbed.photos.sides.lines import sides_through
from stitchbed.photos.survey.card_paper import Papers
from stitchbed.photos.survey.plane_types import Asked
from stitchbed.photos.survey.work_edges import SidesFound

WORK = np.array([[140.0, 120.0], [450.0, 120.0], [450.0, 380.0], [140.0, 380.0]])
DENSITY = 1.0  # px/mm
NOTHING = np.zeros((500, 600), bool)
X, Y = np.meshgrid(np.arange(600.0), np.arange(500.0))
GRAIN = 1 + 0.05 * np.random.default_rng(5).standard_normal((500, 600))


def seen(table: Array, tint: tuple[float, float, float] = (0.4, 0.3, 0.2)) -> np.ndarray:
    """The work on a table, (h, w) shares of its light."""
    light = (table * GRAIN)[..., None] * np.array(tint)
    light[120:380, 140:450] = 0.7
    return np.rint(255 * np.clip(cv2.GaussianBlur(light, (0, 0), 0.7), 0, 1) ** (1 / 2.2)).astype(np.uint8)


def shadow(right: float, down: float, soft: float = 0.6) -> Array:
    inside = (np.abs(X - right - 295) < 155) & (np.abs(Y - down - 250) < 130)
    return np.asarray(1 - 0.55 * cv2.GaussianBlur(inside.astype(float), (0, 0), soft))


def found(picture: np.ndarray) -> dict[str, float]:
    return cast_shadows(picture, NOTHING, sides_through(WORK), DENSITY)


def test_a_shadow_is_told_on_the_sides_it_falls_on() -> None:
    assert found(seen(shadow(0, 0))) == {}
    assert found(seen(shadow(2, 2))) == {}  # of paper
    assert found(seen(shadow(25, 0))) == {"right": pytest.approx(24, abs=5)}
    assert set(found(seen(shadow(-18, -12)))) == {"top", "left"}
    assert set(found(seen(shadow(22, 14, soft=5)))) == {"right", "bottom"}


@pytest.mark.parametrize(
    "table",
    [
        lambda: 2.0 ** (-X / 300),  # light that falls off
        lambda: 1 - 0.5 * ((X // 18 + Y // 18) % 2),  # checks
        lambda: 1 - 0.5 * ((X // 9 % 2) * (Y // 9 % 2)),
        lambda: 1 - 0.4 * ((X + 0.12 * Y) // 40 % 2),  # boards that lie askew
        lambda: 1 - 0.4 / (1 + np.exp(-(X + Y - 620) / 15)),  # the shadow of someone beside the table
    ],
)
def test_no_table_is_taken_for_a_shadow(table: Callable[[], Array]) -> None:
    assert found(seen(table())) == {}


def test_a_band_of_another_color_is_no_shadow() -> None:
    picture = seen(np.ones((500, 600)))
    picture[120:380, 450:475] = (60, 110, 120)
    assert found(picture) == {}


def test_a_work_that_seems_to_lie_higher_than_its_cards_is_told() -> None:
    """Not where its size was named, which is that of its face at whatever height."""
    for table, told in ((shadow(25, 0), True), (shadow(1, 1), False)):
        scene = [photo(seen(table))]
        fit = fit_of(scene, [scaled(1.0)])
        fit = on_frame(fit, np.eye(3))
        sides = SidesFound({}, sides_through(WORK), None, Papers())  # type: ignore[arg-type]
        solved = Solution(None, fit, sides, WORK, [], [[]], lambda *_, fit=fit: fit)  # type: ignore[arg-type]
        notes = [note for note in doubts_of(scene, solved, Asked()) if "--raised" in note]
        assert len(notes) == told
        assert all("beyond its right side the table lies in a shadow" in note for note in notes)
        for asked in (Asked(size_mm=(310.0, 260.0)), Asked(raised_mm=20.0), Asked(scan=True)):
            assert not [note for note in doubts_of(scene, solved, asked) if "shadow" in note]
