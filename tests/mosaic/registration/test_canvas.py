"""I check the master's frame: upright, just large enough, and the way from it back into every tile."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import tolerances as tol
import truth

from stitchbed.core.errors import CanvasTooLarge
from stitchbed.imaging.box import Box
from stitchbed.imaging.node_grid import dense, nodes
from stitchbed.imaging.transforms import moved, turn_of
from stitchbed.mosaic.registration.canvas import (
    Canvas,
    footprint,
    make_canvas,
    on_canvas,
    way_back,
    whole_shift,
)
from stitchbed.mosaic.registration.placement import Placement, Warp, from_sheet, outline, to_sheet

SIZE = (400, 500)
MOST = 1e9


def _placed(matrix: np.ndarray, name: str = "a", warp: Warp | None = None) -> Placement:
    return Placement(name, SIZE, matrix, warp)


def test_a_lone_tile_is_its_own_canvas() -> None:
    for size in ((400, 500), (1, 1), (301, 7)):
        place = Placement("a", size, np.eye(3))
        canvas = make_canvas([place], 300, most_pixels=MOST)
        assert (canvas.height, canvas.width, canvas.dpi) == (*size, 300)
        assert np.array_equal(canvas.canvas_from_sheet, np.eye(3))
        assert whole_shift(on_canvas(place, canvas)) == (0, 0)


@pytest.mark.parametrize("draw", range(8))
def test_the_canvas_holds_all_tiles_with_no_row_to_spare(draw: int) -> None:
    rng = np.random.default_rng(draw)
    places = [_placed(truth.pose(*rng.uniform(-500, 900, 2), float(rng.uniform(-2, 2)))) for _ in range(4)]
    canvas = make_canvas(places, 200, most_pixels=MOST)
    rims = np.concatenate([outline(on_canvas(place, canvas)) for place in places])
    low, high = rims.min(0), rims.max(0)
    assert (low >= -0.5 - 1e-6).all() and (low < 0.5).all()
    assert (high <= np.array([canvas.width, canvas.height]) - 0.5 + 1e-6).all()
    assert (high > np.array([canvas.width, canvas.height]) - 1.5 - 1e-6).all()


def test_the_canvas_stands_as_most_tiles_do() -> None:
    """Most tiles' quadrant is up, and one askew piece does not tilt the whole."""
    for up in (0.0, 90.0, 180.0, -90.0):
        turns = [up, up + 0.1, up - 0.1, up + 180.0, up + 25.0]
        places = [_placed(truth.pose(100.0 * k, 50.0 * k, turn)) for k, turn in enumerate(turns)]
        canvas = make_canvas(places, 300, most_pixels=MOST)
        turned = [np.rad2deg(turn_of(on_canvas(place, canvas).sheet_from_tile)) for place in places]
        assert abs(turned[0]) < 0.2 and abs(turned[1]) < 0.3
        assert abs(abs(turned[3]) - 180) < 0.3


def test_a_finer_canvas_shows_the_same_sheet() -> None:
    """Twice the dpi: each pixel of the sheet becomes four, corner on corner, and twice as many rows."""
    canvas = make_canvas([_placed(np.eye(3))], 600, most_pixels=MOST, finer=2.0)
    assert (canvas.height, canvas.width, canvas.dpi) == (2 * SIZE[0], 2 * SIZE[1], 600)
    rim = outline(on_canvas(_placed(np.eye(3)), canvas))
    assert np.allclose(rim.min(0), -0.5) and np.allclose(rim.max(0), np.array([2 * SIZE[1], 2 * SIZE[0]]) - 0.5)


def test_a_canvas_past_the_limit_is_refused() -> None:
    places = [_placed(np.eye(3)), _placed(truth.pose(90000, 90000, 0))]
    with pytest.raises(CanvasTooLarge, match="at most 100 megapixels"):
        make_canvas(places, 300, most_pixels=1e8)


@pytest.mark.parametrize("draw", range(5))
def test_the_way_back_undoes_the_way_there(draw: int) -> None:
    rng = np.random.default_rng(draw)
    warp = Warp(rng.normal(0, 0.2, (11, 14, 2)).cumsum(0) * 0.2, 40.0)
    place = _placed(truth.pose(260, 210, float(rng.uniform(-180, 180))), warp=warp)
    xy = rng.uniform([5, 5], [494, 394], (300, 2))
    assert np.abs(from_sheet(place, to_sheet(place, xy)) - xy).max() < tol.WAY_BACK_PX


@pytest.mark.parametrize("box", [Box(0, 0, 512, 512), Box(464, 976, 608, 608), Box(-48, -48, 96, 64)])
def test_dense_maps_are_exact_for_straight_motions(box: Box) -> None:
    place = _placed(truth.pose(256, 256, 7.0))
    at = way_back(place, nodes(box))
    maps = dense(at.astype(np.float32), box)
    assert maps.shape == (box.height, box.width, 2)
    y, x = np.mgrid[box.row : box.bottom, box.col : box.right]
    direct = moved(np.linalg.inv(place.sheet_from_tile), np.column_stack([x.ravel(), y.ravel()])).reshape(maps.shape)
    assert np.abs(maps - direct).max() < tol.DENSE_MAP_PX


def test_footprints_hold_their_tile() -> None:
    bounds = Box(0, 0, 900, 900)
    place = _placed(truth.pose(450, 450, 30.0))
    box = footprint(place, bounds)
    rims = outline(place)
    assert box.col <= rims[:, 0].min() and box.right > rims[:, 0].max()
    assert box.row <= rims[:, 1].min() and box.bottom > rims[:, 1].max()
    assert footprint(_placed(truth.pose(5000, 450, 0.0)), bounds).empty


def test_only_a_plain_shift_counts_as_whole() -> None:
    shift = np.array([[1, 0, 12.0], [0, 1, -7.0], [0, 0, 1]])
    assert whole_shift(_placed(shift)) == (-7, 12)
    assert whole_shift(_placed(shift + np.array([[0, 0, 0.25], [0, 0, 0], [0, 0, 0]]))) is None
    assert whole_shift(_placed(truth.pose(249.5, 199.5, 180.0))) is None
    assert whole_shift(replace(_placed(shift), warp=Warp(np.zeros((2, 2, 2)), 500.0))) is None


def test_on_canvas_only_changes_the_sheet() -> None:
    canvas = Canvas(10, 10, 300, np.array([[1, 0, 3.0], [0, 1, 4.0], [0, 0, 1]]))
    place = on_canvas(_placed(np.eye(3), "name"), canvas)
    assert place.tile == "name" and place.size == SIZE and place.sheet_from_tile[:2, 2].tolist() == [3, 4]
