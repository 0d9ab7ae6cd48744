"""I check tie points: found to a hundredth of a pixel, as sure as they say, and none where none can be found."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import tolerances as tol
import truth
from scipy import ndimage
from skimage import data

from stitchbed.imaging.box import Box
from stitchbed.imaging.gray import gray_of
from stitchbed.mosaic.registration.placement import Placement, Warp, from_sheet, to_sheet
from stitchbed.mosaic.registration.tie_points import (
    SPARE,
    TOGETHER,
    Ties,
    TieSettings,
    _read_all,
    chosen,
    gathered,
    measure,
    overlaps,
    residuals_of,
    spots,
    texture_of,
)

SETTINGS = TieSettings()


def _places(shape: tuple[int, ...], *matrices: np.ndarray) -> list[Placement]:
    return [Placement(f"t{k}", (shape[0], shape[1]), matrix) for k, matrix in enumerate(matrices)]


def _measured(pictures: list[np.ndarray], places: list[Placement], xy: np.ndarray, *, reach: int = 6) -> Ties:
    named = {place.tile: picture for place, picture in zip(places, pictures, strict=True)}

    def read(name: str, box: Box) -> np.ndarray:
        return np.ascontiguousarray(named[name][box.slices])

    return measure(places, {(0, 1): xy}, read, window_px=32, reach_px=reach, settings=SETTINGS)


def _grid(shape: tuple[int, ...], margin: int, step: int) -> np.ndarray:
    x, y = np.arange(margin, shape[1] - margin, step), np.arange(margin, shape[0] - margin, step)
    return np.stack(np.meshgrid(x, y), -1).reshape(-1, 2).astype(float)


def _faded(draw: int) -> np.ndarray:
    """A gray drawing that fades to paper at its rim, so that it may be shifted in Fourier space without wrapping."""
    whole = truth.pose(209.5, 209.5, 0, shape=(420, 420))
    gray = gray_of(truth.cut_tiles(truth.paint_sheet(420, 420, draw), [whole], shape=(420, 420))[0].pixels)
    rim = np.clip(np.minimum(np.arange(420), np.arange(420)[::-1]) / 50, 0, 1)
    fade = np.sin(np.pi / 2 * np.minimum(rim[:, None], rim)) ** 2
    return np.asarray(gray * fade + 220 * (1 - fade), np.float32)


@pytest.mark.parametrize("draw", range(6))
def test_a_shift_made_in_fourier_space_is_found(draw: int) -> None:
    """A phase ramp shifts by any part of a pixel exactly, without interpolation."""
    shift = np.random.default_rng(draw).uniform(-3, 3, 2)
    picture = _faded(30 + draw)
    ramped = ndimage.fourier_shift(np.fft.fft2(picture), shift[::-1])
    shifted = np.fft.ifft2(ramped).real.astype(np.float32)
    ties = _measured([picture, shifted], _places(picture.shape, np.eye(3), np.eye(3)), _grid(picture.shape, 70, 20))
    off = np.hypot(*(ties.xy_b - ties.xy_a - shift).T)
    assert len(off) > 150
    assert (off < tol.FOURIER_SHIFT_PX).mean() >= tol.FOURIER_SHARE and np.median(off) < tol.FOURIER_SHIFT_PX / 5
    assert np.abs(np.mean(ties.xy_b - ties.xy_a - shift, axis=0)).max() < tol.FOURIER_SHIFT_PX / 5


@pytest.mark.parametrize("turn", [0.7, 90.0, 180.0, -33.0])
@pytest.mark.parametrize("scale", [1.0, 1.25])
def test_turned_and_scaled_tiles_are_measured_where_they_truly_are(turn: float, scale: float) -> None:
    sheet = truth.paint_sheet(640, 640, 41)
    poses = [truth.pose(320.2, 319.7, 0.3), truth.pose(320.0, 320.0, turn, scale=scale)]
    tiles = truth.cut_tiles(sheet, poses, dtype="uint16")
    places = _places((400, 500), *poses)
    ties = _measured([gray_of(t.pixels) for t in tiles], places, _grid((400, 500), 110, 25))
    off = np.hypot(*residuals_of(places, ties).T)
    assert len(off) > 60 and np.median(off) < tol.TURNED_TIE_PX and np.percentile(off, 95) < 3 * tol.TURNED_TIE_PX


def test_gain_and_offset_change_nothing() -> None:
    """The measure is free of both. Reference: Evangelidis & Psarakis, PAMI 30(10), 2008 (0.7 x + 25 as there)."""
    picture = _faded(31)
    places, xy = _places(picture.shape, np.eye(3), np.eye(3)), _grid(picture.shape, 70, 40)
    plain, dimmed = _measured([picture, picture], places, xy), _measured([picture, 0.7 * picture + 25], places, xy)
    assert np.abs(plain.xy_b - plain.xy_a).max() < 0.002 and np.abs(dimmed.xy_b - dimmed.xy_a).max() < 0.005


def test_places_a_few_pixels_off_are_found_within_reach_and_not_beyond() -> None:
    picture = _faded(32)
    wrong = np.array([[1, 0, 4.0], [0, 1, -3.0], [0, 0, 1]])
    xy = _grid(picture.shape, 70, 20)
    ties = _measured([picture, picture], _places(picture.shape, np.eye(3), wrong), xy)
    assert len(ties.a) > 150 and np.abs(ties.xy_b - ties.xy_a).max() < 0.01
    far = np.array([[1, 0, 14.0], [0, 1, 0.0], [0, 0, 1]])
    assert len(_measured([picture, picture], _places(picture.shape, np.eye(3), far), xy).a) < 0.1 * len(xy)


@pytest.mark.parametrize("noise", [2.0, 4.0, 8.0])
def test_no_tie_is_believed_more_than_it_is_good(noise: float) -> None:
    """e' C^-1 e averages 2 when the covariance C is true; the floor of .03 px makes good ties look worse."""
    rng = np.random.default_rng(4)
    picture = _faded(33)
    noisy = [(picture + rng.normal(0, noise, picture.shape)).astype(np.float32) for _ in range(2)]
    ties = _measured(noisy, _places(picture.shape, np.eye(3), np.eye(3)), _grid(picture.shape, 70, 16))
    off = ties.xy_b - ties.xy_a
    squared = np.einsum("ni,nij,nj->n", off, ties.info, off)
    assert len(off) > 100
    assert 0.001 < np.median(squared) / (2 * np.log(2)) < tol.TIE_CHI2  # 2 ln 2 is the median of chi-squared with 2
    without_floor = np.linalg.inv(np.linalg.inv(ties.info) - (0.999 * SETTINGS.floor_px) ** 2 * np.eye(2))
    bare = np.einsum("ni,nij,nj->n", off, without_floor, off)
    assert tol.TIE_CHI2_BARE[0] < np.median(bare) / (2 * np.log(2)) < tol.TIE_CHI2_BARE[1]


def test_a_straight_line_ties_across_itself_only() -> None:
    x = np.arange(200, dtype=np.float32)
    picture = np.tile(255 - 200 * np.exp(-(((x - 100) / 1.5) ** 2)), (200, 1)).astype(np.float32)
    rng = np.random.default_rng(1)
    pair = [(picture + rng.normal(0, 1.5, picture.shape)).astype(np.float32) for _ in range(2)]
    along = np.array([[100.0, y] for y in range(60, 141, 4)])
    ties = _measured(pair, _places(picture.shape, np.eye(3), np.eye(3)), along)
    for info, off in zip(ties.info, ties.xy_b - ties.xy_a, strict=True):
        assert info[0, 0] > 10 * info[1, 1]
        assert abs(off[0]) < 0.05 and abs(off[1]) * np.sqrt(info[1, 1]) < 40


def test_blank_paper_and_the_rim_give_no_ties() -> None:
    blank = np.full((200, 200), 220, np.float32)
    assert len(_measured([blank, blank], _places(blank.shape, np.eye(3), np.eye(3)), _grid((200, 200), 60, 20)).a) == 0
    picture = _faded(35)
    near_rim = np.array([[3.0, 200.0], [416.0, 200.0], [200.0, 2.0], [200.0, 417.0], [-50.0, 200.0]])
    assert len(_measured([picture, picture], _places(picture.shape, np.eye(3), np.eye(3)), near_rim).a) == 0


def test_unlike_windows_are_no_ties() -> None:
    one, two = _faded(36), _faded(37)
    xy = _grid(one.shape, 70, 20)
    assert len(_measured([one, two], _places(one.shape, np.eye(3), np.eye(3)), xy).a) < 0.1 * len(xy)


def test_published_ground_truth_is_met() -> None:
    """Two photographs with measured disparity: at level places a tie is displaced by the disparity and nothing else.

    Reference: Scharstein et al., GCPR 2014 (Middlebury 2014, "Motorcycle", reduced), as shipped in scikit-image.
    """
    left, right, disparity = data.stereo_motorcycle()
    pictures = [gray_of(np.ascontiguousarray(view)) for view in (left, right)]
    known = np.where(np.isfinite(disparity), disparity, np.nan).astype(np.float64)
    xy = _grid(known.shape, 40, 14)
    windows = [known[int(y) - 16 : int(y) + 16, int(x) - 16 : int(x) + 16] for x, y in xy]
    level = np.array([np.isfinite(w).all() and np.nanstd(w) < 0.25 for w in windows])
    expected = np.array([-np.mean(w) for w in windows])[level]
    steps = np.rint(expected)
    found, wanted = [], []
    for step in np.unique(steps):  # the first guess is a whole number of pixels
        guess = np.array([[1, 0, -step], [0, 1, 0], [0, 0, 1]])
        mine = steps == step
        ties = _measured(pictures, _places(known.shape, np.eye(3), guess), xy[level][mine], reach=4)
        known_at = {tuple(np.round(p)): e for p, e in zip(xy[level][mine], expected[mine], strict=True)}
        for a, b in zip(ties.xy_a, ties.xy_b, strict=True):
            found.append(b - a)
            wanted.append(known_at[tuple(np.round(a + 0.5))])
    off = np.array(found) - np.column_stack([wanted, np.zeros(len(wanted))])
    assert len(off) > 60
    assert np.median(np.abs(off[:, 0])) < tol.DISPARITY_PX and abs(np.median(off[:, 1])) < tol.DISPARITY_PX
    assert (np.hypot(*off.T) < 1).mean() > 0.9


def test_spots_lie_in_the_overlap_at_strong_texture() -> None:
    poses, size = truth.grid_poses(1, 2, seed=5)
    tiles = truth.cut_tiles(truth.paint_sheet(*size, 5, blank=(0.40, 0.46)), poses)
    places = _places((400, 500), *poses)
    half = cv2.resize(gray_of(tiles[0].pixels), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    xy = spots((places[0], places[1]), texture_of(half, 2, 32), 40, margin_px=20, shy_px=30)
    there = from_sheet(places[1], to_sheet(places[0], xy))
    for at in (xy, there):
        assert (at > 20 - 3).all() and (at[:, 0] < 500 - 20 + 3).all() and (at[:, 1] < 400 - 20 + 3).all()
    assert 20 <= len(xy) <= 60
    on_sheet = to_sheet(places[0], xy)[:, 0] / size[1]
    assert ((on_sheet > 0.41) & (on_sheet < 0.45)).mean() < 0.05
    blank = texture_of(np.full((200, 250), 200, np.float32), 2, 32)
    assert len(spots((places[0], places[1]), blank, 40, margin_px=20, shy_px=30)) == 0


def test_spots_of_tiles_that_do_not_meet_are_none() -> None:
    gray = np.random.default_rng(1).uniform(0, 255, (200, 250)).astype(np.float32)
    apart = np.array([[1, 0, 2000.0], [0, 1, 0], [0, 0, 1]])
    one, two = _places((400, 500), np.eye(3), apart)
    assert spots((one, two), texture_of(gray, 2, 32), 40, margin_px=20, shy_px=30).shape == (0, 2)


def test_overlaps_are_those_that_are_large_enough() -> None:
    poses, _ = truth.grid_poses(2, 3, overlap=0.3, turn=0.0)
    found = {(i, j): area for i, j, area in overlaps(_places((400, 500), *poses), 30)}
    assert set(found) == {(0, 1), (1, 2), (3, 4), (4, 5), (0, 3), (1, 4), (2, 5), (0, 4), (1, 5), (1, 3), (2, 4)}
    assert found[0, 1] == pytest.approx(0.3 * 500 * 400, rel=0.15)
    far = {(i, j) for i, j, _ in overlaps(_places((400, 500), *poses), 200)}
    assert far == {(0, 1), (1, 2), (3, 4), (4, 5), (0, 3), (1, 4), (2, 5)}


@pytest.mark.parametrize(("step", "most"), [(11, 1 / 50), (300, 1)])
def test_windows_are_read_together_where_they_lie_together(step: int, most: float) -> None:
    rng = np.random.default_rng(3)
    sheet = rng.normal(size=(1500, 900)).astype(np.float32)
    low = np.array([(x, y) for y in range(0, 1400, step) for x in range(0, 800, step)]) + rng.integers(0, 9, 2)
    boxes = np.stack([low, low + rng.integers(20, 90, low.shape)], axis=1)
    taken: list[Box] = []

    def read(name: str, box: Box) -> np.ndarray:
        taken.append(box)
        return sheet[box.slices]

    windows = _read_all("a", boxes, read)
    assert all(np.array_equal(one, sheet[y:b, x:r]) for one, ((x, y), (r, b)) in zip(windows, boxes, strict=True))
    own = (boxes[:, 1] - boxes[:, 0]).prod(1)
    assert all(box.height * box.width <= max(TOGETHER, own.max()) for box in taken)
    assert sum(box.height * box.width for box in taken) <= SPARE * own.sum()
    assert len(taken) <= len(boxes) * most


def test_threads_change_nothing() -> None:
    poses, size = truth.grid_poses(2, 2, seed=6)
    tiles = truth.cut_tiles(truth.paint_sheet(*size, 6), poses)
    places = _places((400, 500), *poses)
    right = np.array([[x, 200.0] for x in range(400, 461, 6)])
    below = np.array([[x, 340.0] for x in range(60, 441, 20)])
    jobs = {(0, 1): right, (0, 2): below, (1, 3): below, (2, 3): right}
    pictures = {place.tile: gray_of(tile.pixels) for place, tile in zip(places, tiles, strict=True)}

    def read(name: str, box: Box) -> np.ndarray:
        return np.ascontiguousarray(pictures[name][box.slices])

    one, four = (measure(places, jobs, read, window_px=32, reach_px=6, settings=SETTINGS, workers=n) for n in (1, 4))
    assert len(one.a) > 20
    assert all(np.array_equal(getattr(one, field), getattr(four, field)) for field in vars(one))


def test_misfits_count_warps_and_places() -> None:
    bend = Warp(np.tile(np.array([0.5, -0.25]), (3, 3, 1)), 300.0)
    one, two = Placement("a", (400, 500), np.eye(3), bend), Placement("b", (400, 500), truth.pose(249.5, 199.5, 180.0))
    xy = np.array([[10.0, 20.0], [100.0, 300.0]])
    ties = gathered([(0, 1, p, np.array([499.0, 399.0]) - p, np.eye(2), 0.9) for p in xy])
    assert np.allclose(residuals_of([one, two], ties), [[-0.5, 0.25]] * 2, atol=tol.ARITHMETIC_PX)
    assert len(chosen(ties, np.array([True, False])).a) == 1
    assert gathered([]).xy_a.shape == (0, 2)
