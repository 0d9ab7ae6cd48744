"""I check levels where lifts leave no flat place in an overlap: estimated from the lift's own shape, and told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import tolerances as tol
from light_scene import PX_PER_MM, SIZE, STEP, Scene, scene

from stitchbed.mosaic.photometry.gain_compensation import leveled
from stitchbed.mosaic.photometry.judged_light import (
    MOST_OFF,
    Light,
    Sight,
    estimated_words,
    judge_lifts,
    judge_light,
)
from stitchbed.mosaic.photometry.level_equations import LevelSettings
from stitchbed.mosaic.photometry.lift import LiftSettings
from stitchbed.mosaic.photometry.lift_profiles import lost_light
from stitchbed.mosaic.registration.placement import Placement

NARROW = (STEP[0], 452)  # overlaps of 12 mm
LOSS = 0.4


def _lost(at: np.ndarray, reach_mm: float) -> np.ndarray:
    """Share of light a lift of the right edge takes, growing a little to the foot of it."""
    depth = (SIZE[1] - at[:, 0]) / PX_PER_MM
    return LOSS * np.clip(1 - depth / reach_mm, 0, 1) ** 1.5 * (0.8 + 0.2 * at[:, 1] / SIZE[0])


def _made(draw: int, *, reach_mm: float, tiles: int = 2) -> tuple[Scene, np.ndarray]:
    """A row whose first tile lifts at its right edge, and all gains."""
    rng = np.random.default_rng([draw, 11])
    gain = np.exp(np.repeat(rng.normal(0, 0.05, (tiles, 1)), 3, axis=1))
    made = scene(1, tiles, rng, gain=gain, step=NARROW, spacing=8.0)
    first = made.patches.seen[0]
    if reach_mm:
        first = replace(first, light=first.light * (1 - _lost(first.at, reach_mm))[:, None])
    return replace(made, patches=replace(made.patches, seen=(first, *made.patches.seen[1:]))), gain


def _sight(made: Scene) -> Sight:
    places = [Placement(name, size, np.eye(3)) for name, size in zip(made.names, made.sizes, strict=True)]
    scale, group = [PX_PER_MM] * len(places), [0] * len(places)
    return Sight(places, made.patches, scale, group, levels=LevelSettings(), lift=LiftSettings())


def _judged(made: Scene) -> Light:
    return judge_light(_sight(made))


def _step(light: Light, gain: np.ndarray) -> float:
    """Log of how far light of .6 differs between the first two tiles once leveled."""
    ends = [leveled(level, 0.6 / gain[k : k + 1], np.zeros((1, 1))) for k, level in enumerate(light.levels[:2])]
    return float(np.log(ends[0] / ends[1]).mean())


@pytest.mark.parametrize("draw", range(4))
def test_a_lift_over_a_whole_overlap_is_no_exposure(draw: int) -> None:
    """The mean of what such an overlap shows is 15 % off, as taking it for a difference of exposure would be. What no
    place tells stays open: the lift may reach past the overlap. It is told, and how far off it may be."""
    made, gain = _made(draw, reach_mm=14.0)
    light = _judged(made)
    assert abs(_step(light, gain)) < 0.5 * float(np.mean(_lost(made.patches.seen[0].at, 14.0)))
    assert abs(_step(light, gain)) < MOST_OFF * light.lifts[0].loss
    assert light.estimated == [(0, 1)]
    (words,) = estimated_words(light)
    assert "t0 and t1" in words and "estimate" in words
    assert light.lifts[0].loss > 0.15 and light.lifts[1].loss < 0.06


@pytest.mark.parametrize("reach_mm", [0.0, 5.0])
def test_where_places_lie_flat_nothing_is_estimated(reach_mm: float) -> None:
    made, gain = _made(5, reach_mm=reach_mm, tiles=3)
    light = _judged(made)
    assert abs(_step(light, gain)) < 0.02
    assert light.estimated == [] and estimated_words(light) == []


@pytest.mark.parametrize("draw", range(3))
def test_other_exponents_on_dark_washes_are_no_lift(draw: int) -> None:
    """On tones of 3 % of white exponents change light by a third, and overlaps of 5 mm lie all at the pieces' rims."""
    rng = np.random.default_rng([draw, 17])
    exponent = np.repeat([[0.86], [1.14], [0.86]], 3, axis=1)
    dark = 20 * np.exp(rng.normal(0, 0.03, (3, 3)))
    made = scene(1, 3, rng, gain=dark, exponent=exponent, step=(STEP[0], 480), spacing=6.0)
    light = _judged(made)
    assert light.estimated == [] and not any(lift.any for lift in light.lifts)
    undone = np.array([level.curve for level in light.levels]) * exponent
    assert np.abs(undone / undone.mean(0) - 1).max() < tol.CURVE
    # so narrow a strip might look like this under a lift as well
    assert [pair[:2] for pair in light.narrow] == [(0, 1), (1, 2)]
    (words,) = estimated_words(light)
    assert "t0 and t1" in words and "too narrow" in words


@pytest.mark.parametrize("step", [480, 440])
def test_pieces_of_one_exposure_are_not_told_of(step: int) -> None:
    rng = np.random.default_rng(3)
    gain = np.exp(np.repeat(rng.normal(0, 0.02, (3, 1)), 3, axis=1))
    light = _judged(scene(1, 3, rng, gain=gain, step=(STEP[0], step), spacing=6.0))
    assert light.narrow == [] and light.untied == [] and estimated_words(light) == []


def test_pieces_that_share_no_light_are_told() -> None:
    light = _judged(scene(1, 3, np.random.default_rng(4), step=(STEP[0], 520)))
    assert light.untied == [1, 2]
    (words,) = estimated_words(light)
    assert "t1, t2" in words and "left as scanned" in words


def test_what_is_not_wanted_is_not_judged() -> None:
    sight = _sight(_made(6, reach_mm=14.0)[0])
    plain = judge_light(replace(sight, levels=None))
    assert all(level.plain for level in plain.levels) and not any(lift.any for lift in plain.lifts)
    assert not any(lift.any for lift in judge_light(replace(sight, lift=None)).lifts)


def test_lifts_alone_are_those_that_go_with_levels() -> None:
    sight = _sight(_made(7, reach_mm=14.0)[0])
    alone, light = judge_lifts(sight).lifts, judge_light(sight).lifts
    assert alone[0].any and all(np.array_equal(one.mask, other.mask) for one, other in zip(alone, light, strict=True))


@pytest.mark.parametrize("draw", range(3))
def test_lost_light_is_read_from_its_shape(draw: int) -> None:
    """A lift goes out from an edge; what is even all over an overlap is none, however much it is."""
    made, _ = _made(draw, reach_mm=9.0)
    args = made.sizes, made.patches, [PX_PER_MM] * 2
    lost = lost_light(*args, group=[0, 0], settings=LevelSettings())
    true = _lost(made.patches.seen[0].at, 9.0)
    assert np.abs(lost[0] - true).mean() < 0.03 and lost[1].mean() < 0.02
    even, _ = _made(draw, reach_mm=0.0)
    darker = replace(even.patches.seen[0], light=0.75 * even.patches.seen[0].light)
    lost = lost_light(
        even.sizes,
        replace(even.patches, seen=(darker, even.patches.seen[1])),
        [PX_PER_MM] * 2,
        group=[0, 0],
        settings=LevelSettings(),
    )
    assert max(one.max() for one in lost) < 0.02
