"""I check that places where the sheet leaves the glass are found, and that a flat sheet is called flat."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from light_scene import PX_PER_MM, SIZE, Scene, scene

from stitchbed.mosaic.photometry.lift import Lift, LiftSettings, find_lift, inside, trust
from stitchbed.mosaic.photometry.overlap_samples import Patches
from stitchbed.mosaic.registration.placement import edge_distance

SETTINGS = LiftSettings()


def _lifted(made: Scene, dark: dict[int, np.ndarray]) -> Scene:
    """The scene with light lost (share) at the places of some tiles."""
    seen = [
        replace(one, light=one.light * (1 - dark[k])[:, None]) if k in dark else one
        for k, one in enumerate(made.patches.seen)
    ]
    return replace(made, patches=Patches(made.patches.xy, tuple(seen)))


def _found(made: Scene) -> list[Lift]:
    corrected = [one.light for one in made.patches.seen]
    return find_lift(made.names, made.sizes, made.patches, corrected, [PX_PER_MM] * len(made.names), SETTINGS)


def _depth(at: np.ndarray, width_px: float) -> np.ndarray:
    """Falling light toward the right edge, 25 % at the very edge."""
    return 0.25 * np.clip(1 - (SIZE[1] - at[:, 0]) / width_px, 0, 1) ** 2


@pytest.mark.parametrize("draw", range(3))
def test_a_planted_lift_is_found_where_it_is(draw: int) -> None:
    made = scene(1, 3, np.random.default_rng(draw), noise=0.003)
    at = made.patches.seen[0].at
    lifts = _found(_lifted(made, {0: _depth(at, 60.0)}))
    assert lifts[0].any and not lifts[1].any and not lifts[2].any
    assert 0.08 < lifts[0].loss < 0.25
    truly = _depth(at, 60.0) > 0.03
    marked = inside(lifts[0], at)
    assert marked[truly].mean() > 0.97  # found
    assert (at[marked, 0] > SIZE[1] - 60 - 6 * PX_PER_MM).all()  # and nothing far from it
    assert (trust(lifts, made.patches)[0] == 1 - marked).all() and (trust(lifts, made.patches)[1] == 1).all()


def test_both_sides_of_an_overlap_may_lift() -> None:
    """Each is judged by the other where that one lies flat."""
    made = scene(1, 2, np.random.default_rng(4), noise=0.003)
    left = _depth(made.patches.seen[0].at, 40.0)
    right = 0.25 * np.clip(1 - made.patches.seen[1].at[:, 0] / 40.0, 0, 1) ** 2
    lifts = _found(_lifted(made, {0: left, 1: right}))
    assert lifts[0].any and lifts[1].any
    assert inside(lifts[0], np.array([[490.0, 200.0]]))[0] and not inside(lifts[0], np.array([[380.0, 200.0]]))[0]
    assert inside(lifts[1], np.array([[8.0, 200.0]]))[0] and not inside(lifts[1], np.array([[120.0, 200.0]]))[0]


@pytest.mark.parametrize("draw", range(5))
def test_a_flat_set_does_not_lift(draw: int) -> None:
    """Soft means of a millimeter differ by .2 % between two looks at paper, measured on painted sheets."""
    assert not any(lift.any for lift in _found(scene(3, 3, np.random.default_rng([draw, 1]), noise=0.002)))


@pytest.mark.parametrize("draw", range(6))
def test_drawing_that_each_look_cuts_into_cells_of_its_own_is_no_lift(draw: int) -> None:
    """Dense writing: means of its cells differ by some percent. A rim that lifts is found on it as well."""
    rng = np.random.default_rng([draw, 2])
    made = scene(2, 2, rng, noise=0.002)
    seen = []
    for one in made.patches.seen:
        unrest = rng.uniform(0.3, 0.6, len(one.index))
        cut = 1 + 0.02 * unrest * rng.normal(0, 1, len(unrest))
        seen.append(replace(one, unrest=unrest, light=one.light * cut[:, None]))
    written = replace(made, patches=Patches(made.patches.xy, tuple(seen)))
    assert not any(lift.any for lift in _found(written))
    lifted = _found(_lifted(written, {0: _depth(seen[0].at, 60.0)}))
    marked = inside(lifted[0], seen[0].at)
    assert marked[_depth(seen[0].at, 60.0) > 0.06].mean() > 0.9


def test_the_black_of_two_scans_is_no_lift_on_a_dark_ground() -> None:
    """Light of .05 that one scan shows .0005 darker along its edge, a percent; 10 % less light there is still found."""
    made = scene(1, 2, np.random.default_rng(7), noise=0.002)
    night = tuple(replace(one, light=one.light / np.median(one.light) * 0.05) for one in made.patches.seen)
    at = night[0].at
    edge = at[:, 0] > SIZE[1] - 40
    blacker = (replace(night[0], light=night[0].light - 5e-4 * edge[:, None]), *night[1:])
    assert not any(lift.any for lift in _found(replace(made, patches=Patches(made.patches.xy, blacker))))
    lifted = (replace(night[0], light=night[0].light * (1 - 0.1 * edge[:, None])), *night[1:])
    assert _found(replace(made, patches=Patches(made.patches.xy, lifted)))[0].any


def test_a_color_that_a_gray_piece_does_not_show_is_no_lift() -> None:
    """A yellow margin along the edge of a piece without color, whose neighbor has it; a loss there is still found."""
    made = scene(1, 2, np.random.default_rng(8))
    gray, colored = made.patches.seen
    edge = gray.at[:, 0] > SIZE[1] - 40
    yellow = np.where(edge[:, None], [0.7, 0.63, 0.07], 0.7)
    for margin, lifts in ((0.42, False), (0.04, True)):
        light = np.repeat(np.where(edge, margin, 0.7)[:, None], 3, axis=1)
        seen = (replace(gray, light=light, gray=True), replace(colored, light=yellow))
        assert _found(replace(made, patches=Patches(made.patches.xy, seen)))[0].any == lifts


@pytest.mark.parametrize("color", [(0.02, 0.7, 0.02), (0.02, 0.02, 0.5), (0.001, 0.001, 0.001)])
def test_what_is_black_in_a_pure_color_is_no_lift_and_what_shines_in_it_is(color: tuple[float, float, float]) -> None:
    """Two scans differ by a tenth in the channels that a felt pen leaves black; black ink alone tells of no light."""
    made = scene(1, 2, np.random.default_rng(9))
    one, two = (replace(seen, light=np.tile(color, (len(seen.at), 1))) for seen in made.patches.seen)
    edge = one.at[:, :1] > SIZE[1] - 40
    dark, bright = np.array(color) < 0.1, np.array(color) >= 0.1
    for which, lifts in ((dark, False), (bright, bool(bright.any()))):
        loss = replace(one, light=one.light * (1 - 0.1 * edge * which))
        assert _found(replace(made, patches=Patches(made.patches.xy, (loss, two))))[0].any == lifts


def test_a_brighter_rim_is_no_lift() -> None:
    made = scene(1, 2, np.random.default_rng(5))
    assert not _found(_lifted(made, {0: -_depth(made.patches.seen[0].at, 60.0)}))[0].any


def test_a_dark_spot_inside_is_no_lift() -> None:
    """Nothing lifts in the middle only: a shadow there is something else."""
    made = scene(2, 2, np.random.default_rng(6))
    at = made.patches.seen[0].at
    spot = 0.2 * (np.hypot(at[:, 0] - 420, at[:, 1] - 150) < 25)
    assert not _found(_lifted(made, {0: spot}))[0].any


def test_edge_distances() -> None:
    xy = np.array([[0.0, 0.0], [249.5, 10.0], [-3.5, 100.0], [499.5, 200.0]])
    assert edge_distance(SIZE, xy).tolist() == [0.5, 10.5, -3.0, 0.0]
