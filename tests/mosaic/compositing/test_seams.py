"""I check who owns what: everything seen has one owner, seams keep to paper, and nobody owns what another sees flat."""

from __future__ import annotations

import numpy as np
import pytest
import truth

from stitchbed.mosaic.compositing.seams import NOBODY, Drawing, SeamMap, SeamSettings, depth_mm, find_seams
from stitchbed.mosaic.photometry.lift import Lift
from stitchbed.mosaic.registration.canvas import Canvas, make_canvas, on_canvas
from stitchbed.mosaic.registration.placement import Placement, from_sheet

SIZE = (400, 500)
PX_PER_MM = 4.0
DPI = 25.4 * PX_PER_MM
SETTINGS = SeamSettings()


def _lift(mask: np.ndarray, name: str = "t") -> Lift:
    return Lift(name, mask, 8.0, 0.2 if mask.any() else 0.0, 0.2 * mask)


def _flat(name: str = "t") -> Lift:
    return _lift(np.zeros((50, 63), bool), name)


def _lifting(right_mm: float) -> Lift:
    """Lifts within right_mm of its right edge."""
    mask = np.zeros((50, 63), bool)
    mask[:, 63 - int(right_mm * PX_PER_MM / 8) :] = True
    return _lift(mask)


def _blank() -> Drawing:
    return Drawing(np.zeros((100, 125), np.float32), 4.0)


def _pair(overlap_px: int = 180) -> tuple[list[Placement], Canvas]:
    places = [Placement("a", SIZE, np.eye(3)), Placement("b", SIZE, truth.pose(249.5 + 500 - overlap_px, 199.5, 0.0))]
    canvas = make_canvas(places, DPI, most_pixels=1e9)
    return [on_canvas(place, canvas) for place in places], canvas


def _seams(places: list[Placement], lifts: list[Lift], drawings: list[Drawing], canvas: Canvas) -> SeamMap:
    return find_seams(places, lifts, drawings, canvas, settings=SETTINGS)


def _cells(seams: SeamMap) -> np.ndarray:
    rows, cols = seams.labels.shape
    xs, ys = (np.arange(cols) + 0.5) * seams.cell - 0.5, (np.arange(rows) + 0.5) * seams.cell - 0.5
    return np.stack(np.meshgrid(xs, ys), -1)


@pytest.mark.parametrize("draw", range(4))
def test_every_cell_is_owned_by_a_tile_that_sees_it(draw: int) -> None:
    rng = np.random.default_rng(draw)
    poses, _ = truth.grid_poses(2, 3, seed=draw, turn=2.0)
    places = [Placement(f"t{k}", SIZE, pose) for k, pose in enumerate(poses)]
    canvas = make_canvas(places, DPI, most_pixels=1e9)
    places = [on_canvas(place, canvas) for place in places]
    drawings = [Drawing((rng.random((100, 125)) ** 4 * 30).astype(np.float32), 4.0) for _ in places]
    seams = _seams(places, [_flat()] * 6, drawings, canvas)
    cells = _cells(seams)
    seen = np.stack([
        ((at > -0.5) & (at < (SIZE[1] - 0.5, SIZE[0] - 0.5))).all(-1)
        for at in (from_sheet(place, cells.reshape(-1, 2)).reshape(cells.shape) for place in places)
    ])  # fmt: skip
    owned = seams.labels != NOBODY
    assert owned[seen.any(0)].all()
    mine = np.take_along_axis(seen, np.where(owned, seams.labels, 0)[None].astype(int), 0)[0]
    assert mine[owned & seen.any(0)].all()
    assert set(np.unique(seams.labels[owned])) == set(range(6))
    assert np.array_equal(seams.labels, _seams(places, [_flat()] * 6, drawings, canvas).labels)


def test_on_blank_paper_the_seam_runs_near_the_middle_of_the_overlap() -> None:
    places, canvas = _pair()
    seams = _seams(places, [_flat(), _flat()], [_blank(), _blank()], canvas)
    border = (seams.labels == 0).sum(axis=1) * seams.cell
    assert np.abs(border - (500 - 90)).max() <= SETTINGS.band_mm / 2 * PX_PER_MM + seams.cell


def test_the_seam_goes_round_a_drawing() -> None:
    """A figure across the middle of the overlap stays with one tile."""
    places, canvas = _pair()
    y, x = np.mgrid[0:100, 0:125]
    figures = []
    for place in places:
        middle = from_sheet(place, np.array([[410.0, 200.0]]))[0] / 4.0
        away = np.hypot(x - middle[0], y - middle[1])
        figures.append(Drawing((20.0 * (away < 8)).astype(np.float32), 4.0))  # 8 cells of 4 px: 8 mm
    seams = _seams(places, [_flat(), _flat()], figures, canvas)
    cells = _cells(seams)
    inner = seams.labels[np.hypot(cells[..., 0] - 410, cells[..., 1] - 200) < 6.5 * 4]
    share = (inner == 0).mean()
    assert min(share, 1 - share) < 0.05
    ordinary = _seams(places, [_flat(), _flat()], [_blank(), _blank()], canvas).labels
    kept = ordinary[np.hypot(cells[..., 0] - 410, cells[..., 1] - 200) < 6.5 * 4]
    assert 0.3 < (kept == 0).mean() < 0.7  # without the figure the seam would cut it


def test_a_lifted_place_is_owned_by_whoever_sees_it_flat() -> None:
    places, canvas = _pair()
    seams = _seams(places, [_lifting(30.0), _flat()], [_blank(), _blank()], canvas)
    cells = _cells(seams)
    lifted = (cells[..., 0] > 500 - 30 * PX_PER_MM + 8) & (cells[..., 0] < 499)
    assert (seams.labels[lifted] == 1).all()


def test_where_both_lift_somebody_owns_all_the_same() -> None:
    places, canvas = _pair()
    everywhere = _lift(np.ones((50, 63), bool))
    seams = _seams(places, [everywhere, everywhere], [_blank(), _blank()], canvas)
    assert (seams.labels != NOBODY).all()


def test_nobody_owns_his_own_rim_where_another_sees_better() -> None:
    """Even when the drawing would push the seam there."""
    places, canvas = _pair()
    x = np.arange(125)[None] + np.zeros((100, 1))
    hatched = [Drawing((20.0 * (x < 115)).astype(np.float32), 4.0), Drawing((20.0 * (x > 34)).astype(np.float32), 4.0)]
    seams = _seams(places, [_flat(), _flat()], hatched, canvas)
    cells = _cells(seams).reshape(-1, 2)
    for k, place in enumerate(places):
        mine = seams.labels.ravel() == k
        depth = depth_mm(place, _flat(), from_sheet(place, cells), PX_PER_MM)
        other = depth_mm(places[1 - k], _flat(), from_sheet(places[1 - k], cells), PX_PER_MM)
        bad = mine & (depth < SETTINGS.least_mm - 0.5) & (other > SETTINGS.least_mm + 0.5)
        assert not bad.any()


def test_what_no_tile_sees_belongs_to_nobody() -> None:
    places = [Placement("a", SIZE, np.eye(3)), Placement("b", SIZE, truth.pose(249.5 + 400, 199.5 + 300, 0.0))]
    canvas = make_canvas(places, DPI, most_pixels=1e9)
    seams = _seams([on_canvas(p, canvas) for p in places], [_flat(), _flat()], [_blank(), _blank()], canvas)
    cells = _cells(seams)
    corner = (cells[..., 0] > 500 + 4 * seams.cell) & (cells[..., 1] < 300 - 4 * seams.cell)
    assert (seams.labels[corner] == NOBODY).all() and corner.sum() > 100


def test_a_finer_look_comes_before_a_coarse_one() -> None:
    """The second piece has half the canvas's dpi: it is shown only where the first one ends, or nearly."""
    places, canvas = _pair()
    half = places[1].sheet_from_tile @ np.diag([2.0, 2.0, 1.0])
    places[1] = Placement("b", (SIZE[0] // 2, SIZE[1] // 2), half)
    seams = _seams(places, [_flat(), _flat()], [_blank(), _blank()], canvas)
    cells = _cells(seams).reshape(-1, 2)
    mine = depth_mm(places[0], _flat(), from_sheet(places[0], cells), PX_PER_MM)
    coarse = seams.labels.ravel() == 1
    assert mine[coarse].max() < SETTINGS.least_mm + SETTINGS.band_mm + 1 and (mine[~coarse] > 0).mean() > 0.95
    assert (seams.labels.ravel() == 0).mean() > 0.5


def test_depth_is_counted_in_millimeters_from_edge_and_lift() -> None:
    place = Placement("a", SIZE, np.eye(3))
    xy = np.array([[39.5, 200.0], [249.5, 199.5], [-5.0, 200.0], [490.0, 200.0]])
    flat = depth_mm(place, _flat(), xy, PX_PER_MM)
    assert flat[0] == pytest.approx(10) and flat[1] == pytest.approx(50) and flat[2] == -np.inf
    lifting = depth_mm(place, _lifting(20.0), xy, PX_PER_MM)
    assert lifting[0] == pytest.approx(10) and -np.inf < lifting[3] < 0 < flat[3]


def test_where_one_look_is_clipped_the_other_is_shown() -> None:
    """The first piece is clipped on its right half: in the overlap the second one is shown; alone, the first one."""
    places, canvas = _pair()
    share = np.zeros((100, 125), np.float32)
    share[:, 62:] = 1.0
    clipped = [(share, 4.0), (np.zeros((100, 125), np.float32), 4.0)]
    blanks, flats = [_blank(), _blank()], [_flat(), _flat()]
    plain = find_seams(places, flats, blanks, canvas, settings=SETTINGS)
    seams = find_seams(places, flats, blanks, canvas, settings=SETTINGS, clipped=clipped)
    x = _cells(seams)[..., 0]
    both = (x > 330 + 4 * (SETTINGS.least_mm + SETTINGS.band_mm)) & (x < 495)
    assert (seams.labels[both] == 1).all() and (plain.labels[both] == 0).any()
    assert (seams.labels[x < 310] == 0).all()
    same = find_seams(places, flats, blanks, canvas, settings=SETTINGS, clipped=[clipped[0], clipped[0]])
    assert (same.labels == 0).sum() > 0.3 * same.labels.size


def test_a_piece_set_aside_is_shown_only_where_no_other_sees_well() -> None:
    places, canvas = _pair()
    seams = find_seams(places, [_flat(), _flat()], [_blank(), _blank()], canvas, settings=SETTINGS, aside={1})
    x = _cells(seams)[..., 0]
    near = PX_PER_MM * (SETTINGS.least_mm + SETTINGS.band_mm)
    assert (seams.labels[x < 499 - near] == 0).all() and (seams.labels[x > 505] == 1).all()
