"""I check leveling: known gains, offsets and fall-off come back up to the gauge, and nothing is pulled anywhere.

The gauge is what no overlap of upright pieces can tell: one gain for all, and an even slope of light over the whole
sheet, which may be a slope in every scan or a trend of the gains.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import tolerances as tol
from light_scene import SIZE, Scene, scene

from stitchbed.imaging.transfer import curve_term, srgb_decode, srgb_encode
from stitchbed.mosaic.photometry.gain_compensation import Level, find_gains, no_gain, shading_basis
from stitchbed.mosaic.photometry.level_equations import LevelSettings
from stitchbed.mosaic.photometry.overlap_samples import Patches, Seen

SETTINGS = LevelSettings()


def _found(
    made: Scene, settings: LevelSettings = SETTINGS, *, one_bed: bool = True
) -> tuple[list[Level], list[np.ndarray]]:
    group = [0] * len(made.names) if one_bed else [-1] * len(made.names)
    return find_gains(made.names, made.sizes, made.patches, made.weight, group=group, settings=settings)


def _leveled_off(logs: np.ndarray, xy: np.ndarray) -> np.ndarray:
    """Logs of light with the gauge taken out: a mean and a plane over the sheet."""
    design = np.column_stack([np.ones(len(xy)), xy])
    return logs - design @ np.linalg.lstsq(design, logs, rcond=None)[0]


def _wrong(levels: list[Level], gain: np.ndarray, made: Scene) -> np.ndarray:
    """(T, C) error of log gains, gauge-free."""
    found = np.array([level.gain for level in levels])
    return _leveled_off(np.log(found) - np.log(gain), made.origins)


def _unevenness(made: Scene, corrected: list[np.ndarray]) -> float:
    """95 % point of |log(corrected / true)| at all places seen, gauge-free."""
    pairs = list(zip(corrected, made.patches.seen, strict=True))
    logs = np.concatenate([np.log(light / made.true[seen.index]) for light, seen in pairs])
    at = np.concatenate([made.patches.xy[seen.index] for _, seen in pairs])
    return float(np.percentile(np.abs(_leveled_off(logs, at)), 95))


@pytest.mark.parametrize("draw", range(4))
def test_gains_come_back(draw: int) -> None:
    rng = np.random.default_rng(draw)
    gain = np.exp(rng.normal(0, 0.06, (9, 1)) + rng.normal(0, 0.02, (9, 3)))
    made = scene(3, 3, rng, gain=gain)
    levels, corrected = _found(made)
    assert np.abs(_wrong(levels, gain, made)).max() < tol.GAIN
    assert np.abs(np.log([level.gain for level in levels]).mean(0)).max() < 1e-6  # the mean of all log gains is zero
    assert [level.tile for level in levels] == [f"t{k}" for k in range(9)]
    assert [light.shape[1] for light in corrected] == [3] * 9


def test_nothing_is_pulled_toward_one() -> None:
    """Two flat looks, 100 and 120: known gain compensation stops half-way, here the ratio is taken out entirely.

    Reference: Brown & Lowe, IJCV 74:59-73, 2007, eq. 29 with sigma_N 10, sigma_g .1: gains 1.068 and .918, which
    leave 106.8 against 110.2.
    """
    seen_as, shared, own = np.sqrt(3) * np.array([100.0, 120.0]), 5000, 10000
    pull = (shared + own) / 0.1**2
    cross = -2 * shared * seen_as[0] * seen_as[1] / 100
    square = 2 * shared * seen_as**2 / 100 + pull
    normal = np.array([[square[0], cross], [cross, square[1]]])
    published = np.linalg.solve(normal, [pull, pull])
    assert published == pytest.approx([1.068027, 0.918367], abs=2e-6)
    left_published = np.log(120 * published[1] / (100 * published[0]))
    made = scene(1, 2, np.random.default_rng(1), noise=0.0)
    flat = [
        replace(one, light=np.full_like(one.light, value))
        for one, value in zip(made.patches.seen, (1 / 2, 0.6), strict=True)
    ]
    made = replace(made, patches=Patches(made.patches.xy, tuple(flat)))
    levels, corrected = _found(made, replace(SETTINGS, solve_shading=False))
    left = np.log(corrected[1] / corrected[0])
    assert np.abs(left).max() < 0.02 * left_published
    gains = np.array([level.gain for level in levels])
    assert np.allclose(gains[0] * gains[1], 1, atol=1e-6)
    brought = (0.6 + levels[1].offset) * gains[1] / ((0.5 + levels[0].offset) * gains[0])
    assert np.abs(np.log(brought)).max() < 0.02 * left_published


@pytest.mark.parametrize("draw", range(3))
def test_black_offsets_come_back(draw: int) -> None:
    rng = np.random.default_rng([draw, 1])
    offset = rng.normal(0, 0.004, (6, 1)) + rng.normal(0, 0.0005, (6, 3))  # stray light is mostly gray
    levels, _ = _found(scene(2, 3, rng, offset=offset))
    found = np.array([level.offset for level in levels])
    assert np.abs((found - found.mean(0)) - (offset - offset.mean(0))).max() < tol.OFFSET
    assert np.abs(found.mean(0)).max() < 1e-5  # the gauge


@pytest.mark.parametrize("draw", range(3))
def test_the_fall_off_all_scans_share_comes_back(draw: int) -> None:
    rng = np.random.default_rng([draw, 2])
    gain = np.exp(rng.normal(0, 0.03, (9, 3)))
    made = scene(3, 3, rng, gain=gain, shading=lambda tile, u, v: 0.05 * u**2 + 0.02 * v**2)
    levels, corrected = _found(made)
    assert _unevenness(made, corrected) < tol.UNEVENNESS
    middle, side = levels[4].shading[levels[4].shading.shape[0] // 2, [24, 0]]
    assert side - middle == pytest.approx(0.05, abs=0.01)
    alone = _found(made, one_bed=False)[1]
    assert _unevenness(made, corrected) < _unevenness(made, alone) + 0.001  # sharing a bed never hurts


def test_a_drift_of_one_scan_comes_back() -> None:
    """The lamp warms up during one scan: 2 % along its rows."""
    rng = np.random.default_rng(3)
    made = scene(3, 3, rng, shading=lambda tile, u, v: 0.01 * v * (tile == 4))
    levels, corrected = _found(made)
    assert _unevenness(made, corrected) < 0.7 * tol.UNEVENNESS
    rows = levels[4].shading.shape[0]
    assert levels[4].shading[rows - 1, 24] - levels[4].shading[0, 24] == pytest.approx(0.02, abs=0.006)


@pytest.mark.parametrize("draw", range(3))
def test_exponents_that_programs_chose_come_back(draw: int) -> None:
    """Each scan encoded with an exponent of its own, .85 to 1.15, gains and black offsets besides."""
    rng = np.random.default_rng([draw, 9])
    exponent = rng.uniform(0.85, 1.15, (6, 1)) * np.exp(rng.normal(0, 0.01, (6, 3)))
    made = scene(2, 3, rng, gain=np.exp(rng.normal(0, 0.04, (6, 3))), exponent=exponent)
    levels, corrected = _found(made)
    undone = np.array([level.curve for level in levels]) * exponent
    assert np.abs(undone / undone.mean(0) - 1).max() < tol.CURVE
    assert _spread(made, corrected) < tol.UNEVENNESS


def _spread(made: Scene, corrected: list[np.ndarray]) -> float:
    """95 % point of how far the tiles' corrected logs lie from their mean at each place."""
    total, count = np.zeros((len(made.true), 3)), np.zeros((len(made.true), 1))
    for light, seen in zip(corrected, made.patches.seen, strict=True):
        np.add.at(total, seen.index, np.log(light))
        np.add.at(count, seen.index, 1)
    off = [
        np.log(light) - (total / count)[seen.index] for light, seen in zip(corrected, made.patches.seen, strict=True)
    ]
    return float(np.percentile(np.abs(np.concatenate(off)), 95))


def test_scans_without_curves_are_given_none() -> None:
    for draw in range(4):
        rng = np.random.default_rng([draw, 10])
        offset = rng.normal(0, 0.003, (6, 1)) + rng.normal(0, 0.0005, (6, 3))
        made = scene(2, 3, rng, gain=np.exp(rng.normal(0, 0.05, (6, 3))), offset=offset)
        levels, _ = _found(made)
        straight, _ = _found(made, replace(SETTINGS, solve_curves=False))
        for level, other in zip(levels, straight, strict=True):
            assert (level.curve == 1).all() and np.array_equal(level.gain, other.gain)


@pytest.mark.parametrize("draw", range(3))
def test_what_is_uneven_over_bare_paper_passes_neither_for_a_curve_nor_for_a_bump_of_the_bed(draw: int) -> None:
    rng = np.random.default_rng([draw, 14])
    waves = rng.uniform(0, 6, (4, 4))

    def uneven(tile: int, u: np.ndarray, v: np.ndarray) -> np.ndarray:
        a, b, c, d = waves[tile]
        return 0.03 * u**2 + 0.005 * np.sin(6 * u + a) * np.cos(5 * v + b) + 0.003 * np.sin(9 * v + c) * np.cos(u + d)

    made = scene(2, 2, rng, shading=uneven, gain=np.exp(rng.normal(0, 0.03, (4, 1)) * np.ones(3)))
    seen = [replace(one, light=0.88 * one.light / made.true[one.index]) for one in made.patches.seen]
    levels, _ = _found(replace(made, patches=Patches(made.patches.xy, tuple(seen))))
    assert max(np.abs(level.curve - 1).max() for level in levels) < 0.12  # the exponents of programs are .85 to 1.15
    assert max(np.ptp(level.shading) for level in levels) < 0.06  # .03 of it are there


def test_tones_mixed_within_a_cell_do_not_pass_for_a_curve() -> None:
    """Lines on paper: an exponent on each tone is no exponent on their mean, and the mixture is told along."""
    paper, ink, exponent = 0.8, 0.03, 1.1
    share = np.linspace(0, 0.6, 7)
    bent = [float(srgb_decode(srgb_encode(np.array(tone)) ** exponent)) for tone in (paper, ink)]
    mean = (1 - share) * paper + share * ink
    seen_as = (1 - share) * bent[0] + share * bent[1]
    terms = curve_term(np.array([paper, ink]))
    mixed = ((1 - share) * paper * terms[0] + share * ink * terms[1]) / mean - curve_term(mean)
    told = (exponent - 1) * (curve_term(mean) + mixed)
    bare = (exponent - 1) * curve_term(mean)
    true = np.log(seen_as / mean)
    true, told, bare = true - true[0], told - told[0], bare - bare[0]
    assert np.abs(told - true).max() < 0.004 < 0.05 < np.abs(bare - true).max()


def test_a_clipped_channel_is_not_asked_while_others_are_enough() -> None:
    """One tile is a fifth too bright and clips its brightest places: they would pull its gain down."""
    rng = np.random.default_rng(11)
    made = scene(1, 2, rng, noise=0.001)
    light = np.minimum(made.patches.seen[1].light * 1.2, 1.0)
    bright = replace(made.patches.seen[1], light=light, shut=(light >= 1).astype(float))
    made = replace(made, patches=Patches(made.patches.xy, (made.patches.seen[0], bright)))
    clipped = (bright.light >= 1).mean()
    levels, _ = _found(made, replace(SETTINGS, solve_shading=False))
    ratio = np.log(levels[0].gain / levels[1].gain)
    assert 0.05 < clipped < 0.5 and np.abs(ratio - np.log(1.2)).max() < 2 * tol.GAIN


def test_a_clipped_overlap_has_no_say_where_others_tie_the_channel() -> None:
    """The last of four tiles is a fifth too red, and shows one neighbor nothing but red that is cut off."""
    made = scene(2, 2, np.random.default_rng(12), noise=0.001)
    last, beside = made.patches.seen[3], made.patches.seen[2]
    shared = np.isin(last.index, beside.index)
    light, shut = last.light * (1.2, 1, 1), np.zeros_like(last.light)
    light[shared, 0], shut[shared, 0] = 1.0, 1.0
    patches = Patches(made.patches.xy, (*made.patches.seen[:3], replace(last, light=light, shut=shut)))
    levels, _ = _found(replace(made, patches=patches), replace(SETTINGS, solve_shading=False))
    assert np.log(levels[0].gain[0] / levels[3].gain[0]) == pytest.approx(np.log(1.2), abs=3 * tol.GAIN)


def test_an_overlap_of_light_tones_says_nothing_of_black() -> None:
    """Unevenness of two percent over paper and washes must not shift blacks no overlap shows."""
    rng = np.random.default_rng(13)
    made = scene(
        2, 2, rng, gain=np.exp(rng.normal(0, 0.04, (4, 3))), shading=lambda tile, u, v: 0.02 * np.sin(3 * u + tile)
    )
    seen = [
        replace(one, light=one.light * (0.5 + 0.4 * made.true[one.index]) / made.true[one.index])
        for one in made.patches.seen
    ]
    levels, _ = _found(replace(made, patches=Patches(made.patches.xy, tuple(seen))))
    assert max(np.abs(level.offset).max() for level in levels) < 0.002


def test_a_chance_trend_of_exposures_hardly_passes_for_a_slope_of_the_bed() -> None:
    """No overlap of upright pieces tells the two apart: exposures differ by far more than beds slope."""
    trend = np.array([-0.06, 0, 0.06, -0.06, 0, 0.06])
    gain = np.exp(np.repeat(trend[:, None], 3, axis=1))
    levels, _ = _found(scene(2, 3, np.random.default_rng(15), gain=gain))
    found = np.log([level.gain.mean() for level in levels])
    assert np.abs(found - trend).max() < 0.16 * 0.06


def test_a_long_row_does_not_drift() -> None:
    rng = np.random.default_rng(4)
    gain = np.exp(rng.normal(0, 0.05, (10, 3)))
    levels, _ = _found(scene(1, 10, rng, gain=gain), replace(SETTINGS, solve_shading=False))
    found = np.log([level.gain for level in levels])
    assert np.abs((found - np.log(gain)) - (found - np.log(gain)).mean(0)).max() < 2 * tol.GAIN  # no slope taken out


def test_even_tiles_stay_as_they_are() -> None:
    made = scene(3, 3, np.random.default_rng(5))
    levels, _ = _found(made)
    assert max(np.abs(level.gain - 1).max() for level in levels) < tol.GAIN
    assert max(np.abs(level.shading).max() for level in levels) < 2 * tol.GAIN


def test_a_few_wrong_places_do_not_matter() -> None:
    """Dust, glare, a lifted corner: a tenth of the places is 30 % dark in one tile."""
    rng = np.random.default_rng(6)
    gain = np.exp(rng.normal(0, 0.04, (4, 3)))
    made = scene(2, 2, rng, gain=gain)
    dimmed = [
        replace(one, light=one.light * np.where(rng.random(len(one.index)) < 0.1, 0.7, 1)[:, None])
        for one in made.patches.seen
    ]
    levels, _ = _found(replace(made, patches=Patches(made.patches.xy, tuple(dimmed))))
    assert np.abs(_wrong(levels, gain, made)).max() < 2.5 * tol.GAIN


def test_places_without_trust_have_no_say() -> None:
    rng = np.random.default_rng(7)
    made = scene(1, 2, rng)
    lifted = made.patches.seen[0].at[:, 0] > SIZE[1] - 60
    dark = replace(made.patches.seen[0], light=made.patches.seen[0].light * np.where(lifted, 0.8, 1)[:, None])
    patches = Patches(made.patches.xy, (dark, made.patches.seen[1]))
    trusting = _found(replace(made, patches=patches))[0]
    wary = _found(replace(made, patches=patches, weight=[np.where(lifted, 0.0, 1.0), made.weight[1]]))[0]
    assert np.abs(wary[0].gain - 1).max() < tol.GAIN < np.abs(trusting[0].shading).max()


def test_a_lone_tile_is_not_touched() -> None:
    nothing = Seen(np.zeros(0, np.intp), *(np.zeros(shape) for shape in ((0, 3), 0, (0, 3), (0, 3), (0, 2))))
    patches = Patches(np.zeros((0, 2)), (nothing,))
    (level,), _ = find_gains(["a"], [SIZE], patches, [np.zeros(0)], group=[0], settings=SETTINGS)
    assert level.plain and level.tile == "a" and no_gain("a", 1).gain.shape == (1,)


def test_order_of_tiles_does_not_matter() -> None:
    rng = np.random.default_rng(8)
    made = scene(2, 2, rng, gain=np.exp(rng.normal(0, 0.05, (4, 3))))
    levels, _ = _found(made)
    order = [2, 0, 3, 1]
    turned = replace(
        made, names=[made.names[k] for k in order], weight=[made.weight[k] for k in order],
        patches=Patches(made.patches.xy, tuple(made.patches.seen[k] for k in order)),
    )  # fmt: skip
    again = {level.tile: level for level in _found(turned)[0]}
    for level in levels:
        assert np.allclose(again[level.tile].gain, level.gain, atol=1e-7)
        assert np.allclose(again[level.tile].shading, level.shading, atol=1e-7)


def test_shading_terms_are_orthogonal_and_bounded() -> None:
    y, x = np.mgrid[0 : SIZE[0] : 4, 0 : SIZE[1] : 4]
    own, bed = shading_basis(SIZE, np.column_stack([x.ravel(), y.ravel()]).astype(float), 4)
    assert own.shape[1] == 5 and np.abs(own).max() <= 1 + 1e-9 and np.abs(bed).max() <= 1 + 1e-9
    gram = own.T @ own / len(own)
    assert np.abs(gram - np.diag(np.diag(gram))).max() < 0.01
    assert np.abs(bed.mean(0)).max() < 0.02  # no constant: that is the gain's part


def test_a_piece_that_shares_no_point_has_a_basis_of_no_rows() -> None:
    """As when a person holds two pieces where they share nothing."""
    own, bed = shading_basis((300, 400), np.zeros((0, 2)), 4)
    one, other = shading_basis((300, 400), np.zeros((1, 2)), 4)
    assert own.shape == (0, one.shape[1]) and bed.shape == (0, other.shape[1])
