"""I check that uneven light is found from what should look alike, and divided out."""

from __future__ import annotations

import numpy as np
import pytest

from stitchbed.photos.compositing.illumination import (
    alike_in_channels,
    broad_squares,
    fit_light,
    light_at,
    polynomial,
)

SIZE = (600.0, 420.0)


def lamp(xy: np.ndarray) -> np.ndarray:
    """(N, 3) light of a lamp at one side: inverse square of the distance and the cosine, and lens fall-off of 15 %."""
    side = np.array([-900.0, 100.0])
    height = 1200.0
    square = ((xy - side) ** 2).sum(1) + height**2
    away = ((xy - np.array(SIZE) / 2) ** 2).sum(1) / (300**2 + 210**2)
    light = height / square**1.5 * (1 - 0.15 * away)
    return (light / light.max())[:, None] * [1.0, 0.98, 0.9]


def grid(step: float, room: float = 0.0) -> np.ndarray:
    x, y = np.meshgrid(np.arange(-room, SIZE[0] + room, step), np.arange(-room, SIZE[1] + room, step))
    return np.stack([x.ravel(), y.ravel()], 1)


def left(field: object, places: np.ndarray) -> np.ndarray:
    """Light after division, over its mean, per place and channel."""
    after = lamp(places) / light_at(field, places)  # type: ignore[arg-type]
    return after / after.mean(0)


def test_the_lamp_is_as_uneven_as_the_promise_speaks_of() -> None:
    light = lamp(grid(20))[:, 0]
    assert 2.0 < light.max() / light.min() < 2.5


@pytest.mark.parametrize(("source", "order"), [("blank", 4), ("board", 3)])
def test_two_to_one_leaves_less_than_one_percent(source: str, order: int) -> None:
    """Promised: at most 1 % non-uniformity left of a 2:1 gradient (largest deviation from the mean, here)."""
    rng = np.random.default_rng(1)
    places = grid(8) if source == "blank" else grid(8, room=60)
    if source == "board":
        inside = np.all((places > -4) & (places < np.array(SIZE) + 4), axis=1)
        places = places[~inside]
    light = 0.8 * lamp(places) * (1 + 0.004 * rng.standard_normal((len(places), 3)))
    field = fit_light(places, light, ["one"] * len(places), size_mm=SIZE, order=order, source=source)
    assert field is not None and field.source == source
    assert np.abs(left(field, grid(20)) - 1).max() < 0.01
    assert 0.5 < field.uneven < 0.6 and field.residual < 0.01


def test_things_lying_on_the_board_do_not_count() -> None:
    rng = np.random.default_rng(2)
    places = grid(8, room=60)
    light = 0.5 * lamp(places)
    odd = rng.random(len(places)) < 0.15
    light[odd] *= rng.uniform(0.2, 1.5, (int(odd.sum()), 1))
    field = fit_light(places, light, ["board"] * len(places), size_mm=SIZE, order=3, source="board")
    assert field is not None and np.abs(left(field, grid(20)) - 1).max() < 0.01
    assert 0.75 < field.inliers < 0.95


def test_grays_of_four_cards_tell_the_slope() -> None:
    corners = np.array([[-50.0, 40], [650, 30], [640, 390], [-45, 380]])
    steps = np.array([0.85, 0.5, 0.23, 0.06])
    places, light, kinds = [], [], []
    for corner in corners:
        for index, step in enumerate(steps):
            place = np.add(corner, [13.0 * index, 0])
            slope = 2 ** (-place[0] / 600 * np.ones(3))
            places.append(place)
            light.append(step * slope)
            kinds.append(f"N{index}")
    field = fit_light(np.array(places), np.array(light), kinds, size_mm=SIZE, order=1, source="cards")
    assert field is not None
    spots = grid(50)
    after = 2 ** (-spots[:, 0] / 600) / light_at(field, spots)[:, 0]
    assert after.max() / after.min() < 1.001


def test_the_brightest_place_keeps_its_light() -> None:
    places = grid(10)
    field = fit_light(places, 0.7 * lamp(places), ["one"] * len(places), size_mm=SIZE, order=4, source="blank")
    assert field is not None
    assert light_at(field, grid(5)).max() == pytest.approx(1.0, abs=2e-3)


def test_too_few_or_too_dark_places_tell_nothing() -> None:
    assert fit_light(grid(300), lamp(grid(300)), ["a"] * len(grid(300)), size_mm=SIZE, order=4, source="x") is None
    dark = grid(20)
    assert fit_light(dark, 0.001 * lamp(dark), ["a"] * len(dark), size_mm=SIZE, order=2, source="x") is None


def test_polynomial_terms() -> None:
    assert polynomial(np.array([[2.0, 3.0]]), 2)[0] == pytest.approx([1, 2, 3, 4, 6, 9])


def test_far_beyond_its_places_a_field_stays_a_number() -> None:
    """Photos that show a part of a work are asked about all of it; warnings are errors here."""
    places = grid(20)
    field = fit_light(places, lamp(places), ["board"] * len(places), size_mm=SIZE, order=4, source="board")
    assert field is not None
    far = light_at(field, np.array([[30000.0, -20000.0], [-50000.0, 0.0]]))
    assert np.isfinite(far).all() and far.min() > 0


def test_a_weave_averages_out_in_broad_squares_and_planks_tell_less_than_their_places_seem_to() -> None:
    """The error told is a sigma: what is truly left must lie within a few of it, of a weave and of planks."""
    rng = np.random.default_rng(4)
    places = grid(6, room=96)
    places = places[~np.all((places > -4) & (places < np.array(SIZE) + 4), axis=1)]
    told, true = [], []
    for tones in (
        rng.standard_normal((len(places), 1)),
        rng.standard_normal(40)[(places[:, 1] // 60).astype(int), None],
    ):
        xy, light, side = broad_squares(places, 0.5 * lamp(places) * np.exp(0.04 * tones), 6.0)
        assert side == 30.0 and len(xy) < len(places) / 15
        field = fit_light(xy, light, ["board"] * len(xy), size_mm=SIZE, order=3, source="board", side=side)
        assert field is not None
        told.append(field.error)
        true.append(float(np.log(left(field, grid(20))).std()))
    assert told[0] < 0.005 < 0.01 < told[1]
    assert all(one < 2.5 * error for one, error in zip(true, told, strict=True))
    few = places[:300]
    assert broad_squares(few, few, 6.0)[2] == 6.0  # too few squares: places count one by one


def test_light_is_of_one_color_unless_the_board_clearly_shows_two() -> None:
    places = grid(8, room=60)
    for tint, most, one in ((0.03, 0.05, True), (0.3, 0.05, False)):
        light = 0.5 * lamp(places) * np.exp(tint * (places[:, :1] / SIZE[0] - 0.5) * [1, 0, -1])
        field = fit_light(places, light, ["board"] * len(places), size_mm=SIZE, order=3, source="board")
        assert field is not None
        told = alike_in_channels(field, most)
        assert (np.ptp(light_at(told, grid(20)), axis=1).max() < 1e-9) == one
        assert np.abs(light_at(told, grid(20)).mean(1) / light_at(field, grid(20)).mean(1) - 1).max() < 0.01
