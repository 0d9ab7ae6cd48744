"""I check that what is left after the bed is taken up by small smooth fields, and that nothing is bent without need."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import tolerances as tol

from stitchbed.mosaic.registration.placement import Placement, Warp, shift_at
from stitchbed.mosaic.registration.residual_warp import (
    FieldSettings,
    FoldSettings,
    _middles,
    folds_at,
    with_fields,
    with_folds,
)
from stitchbed.mosaic.registration.tie_points import Ties, chosen, gathered, residuals_of

SIZE = (600, 440)
SCALE = 6.0
SETTINGS = FieldSettings()


def _pair() -> list[Placement]:
    over = np.array([[1, 0, 290.0], [0, 1, 5.0], [0, 0, 1]])
    return [Placement("a", SIZE, np.eye(3)), Placement("b", SIZE, over)]


def _bend(amplitude: float) -> Warp:
    """A smooth field of 15 cm wavelength: paper that is not quite flat, a bed that is not quite even."""
    y, x = np.mgrid[0 : SIZE[0] + 20 : 10, 0 : SIZE[1] + 20 : 10]
    wave = np.stack([np.sin(2 * np.pi * y / 900 + 0.5), np.cos(2 * np.pi * (y + 0.3 * x) / 900)], -1)
    return Warp(amplitude * wave, 10.0)


def _ties(places: list[Placement], warp: Warp | None, rng: np.random.Generator, *, count: int = 220) -> Ties:
    noise, rows = 0.04, []
    on_sheet = rng.uniform([295, 10], [435, 590], (count, 2))
    xy_b = on_sheet - (290.0, 5.0)
    xy_b = xy_b + shift_at(warp, xy_b) + rng.normal(0, noise, xy_b.shape)
    for p, q in zip(on_sheet, xy_b, strict=True):
        rows.append((0, 1, p, q, np.eye(2) / noise**2, 0.9))
    return gathered(rows)


def _rms(places: list[Placement], ties: Ties) -> float:
    return float(np.sqrt((residuals_of(places, ties) ** 2).sum(1).mean()))


def test_a_smooth_disagreement_is_taken_up() -> None:
    rng = np.random.default_rng(1)
    places = _pair()
    ties, others = _ties(places, _bend(0.15), rng), _ties(places, _bend(0.15), rng)
    bent = with_fields(places, ties, [SCALE, SCALE], SETTINGS)
    noise = np.sqrt(2) * 0.04
    assert _rms(places, others) > 2.5 * noise
    assert _rms(bent, others) < tol.FIELD_LEFT * noise  # ties that were not used: no mere memory of the noise
    assert all(np.array_equal(a.sheet_from_tile, b.sheet_from_tile) for a, b in zip(places, bent, strict=True))


def test_nothing_is_bent_where_nothing_disagrees() -> None:
    rng = np.random.default_rng(2)
    places = _pair()
    bent = with_fields(places, _ties(places, None, rng), [SCALE, SCALE], SETTINGS)
    assert max(np.abs(place.warp.shift).max() for place in bent if place.warp is not None) < 0.03


def test_fields_stay_small() -> None:
    """A jump of 3 px at a tenth of the ties is a lie, not a field."""
    rng = np.random.default_rng(3)
    places = _pair()
    ties = _ties(places, None, rng)
    lied = replace(ties, xy_b=ties.xy_b + 3.0 * (rng.random(len(ties.a)) < 0.1)[:, None])
    bent = with_fields(places, lied, [SCALE, SCALE], SETTINGS)
    assert max(np.abs(place.warp.shift).max() for place in bent if place.warp is not None) < 0.15


def test_a_tile_with_few_ties_is_not_bent() -> None:
    places = _pair()
    few = _ties(places, _bend(0.3), np.random.default_rng(4), count=SETTINGS.least_ties - 1)
    assert all(place.warp is None for place in with_fields(places, few, [SCALE, SCALE], SETTINGS))


def test_fields_are_added_to_the_bed() -> None:
    rng = np.random.default_rng(5)
    bed = Warp(np.full((80, 60, 2), 0.4), 10.0)
    places = [replace(place, warp=bed) for place in _pair()]  # a common shift on both sides: ties agree as before
    ties = _ties(places, None, rng)
    bent = with_fields(places, ties, [SCALE, SCALE], SETTINGS)
    assert all(np.abs(place.warp.shift - 0.4).max() < 0.03 for place in bent if place.warp is not None)
    assert all(place.warp is not None for place in bent)


def _crease(mm: float) -> Warp:
    """Piece b's paper goes in by `mm` within a few mm of a line across it."""
    y = np.mgrid[0 : SIZE[0] + 10 : 3, 0 : SIZE[1] + 10 : 3][0]
    step = mm * SCALE * (1 + np.tanh((y - 300) / (2 * SCALE))) / 2
    return Warp(np.stack([np.zeros(y.shape), step], -1), 3.0)


def test_paper_round_a_crease_is_followed() -> None:
    """A crease of .25 mm: 1.5 px, which the robust loss would throw away; ties that were not used are then met."""
    rng = np.random.default_rng(3)
    places = _pair()
    ties, others = _ties(places, _crease(0.25), rng, count=400), _ties(places, _crease(0.25), rng, count=400)
    bent = with_fields(places, ties, [SCALE, SCALE], SETTINGS)
    folded = folds_at(bent, ties, SCALE, FoldSettings())
    followed = with_folds(bent, ties, [SCALE, SCALE], folded, settings=(SETTINGS, FoldSettings()))
    assert folded.sum() > 100
    before, after = (np.hypot(*residuals_of(p, others).T) for p in (bent, followed))
    assert np.percentile(before, 90) > 1 and np.percentile(after, 90) < 0.3 * np.percentile(before, 90)
    moved = [np.abs(a.warp.shift - b.warp.shift)[..., 1].max() for a, b in zip(bent, followed, strict=True)]  # type: ignore[union-attr]
    assert min(moved) > 0.3 * max(moved)  # each half the way


def test_noise_and_single_lies_are_no_folds() -> None:
    rng = np.random.default_rng(4)
    places = _pair()
    ties = _ties(places, _bend(0.15), rng, count=400)
    lie = rng.random(400) < 0.1
    lied = replace(ties, xy_b=ties.xy_b + lie[:, None] * rng.uniform(-4, 4, (400, 2)))
    assert not folds_at(with_fields(places, lied, [SCALE, SCALE], SETTINGS), lied, SCALE, FoldSettings()).any()
    few = chosen(ties, np.arange(8))
    assert not folds_at(places, replace(few, xy_b=few.xy_b + 2.0), SCALE, FoldSettings()).any()


def test_a_quarter_of_a_px_at_a_low_dpi_is_no_fold() -> None:
    """At 100 dpi .03 mm are an eighth of a px, by which ties in soft drawing err alike."""
    places, rng = _pair(), np.random.default_rng(6)
    ties = _ties(places, None, rng, count=400)
    aside = (np.abs(ties.xy_a[:, 1] - 300) < 40)[:, None] * np.array([0.0, 0.25])
    assert not folds_at(places, replace(ties, xy_b=ties.xy_b + aside), 4.0, FoldSettings()).any()
    assert folds_at(places, replace(ties, xy_b=ties.xy_b + 2 * aside), 4.0, FoldSettings()).any()


def test_middles_of_groups_are_their_medians() -> None:
    rng = np.random.default_rng(8)
    counts = np.array([4, 5, 1, 12, 2])
    values = rng.normal(0, 3, (counts.sum(), 2))
    middle, spread = _middles(values, counts)
    for part, own, off in zip(np.split(values, np.cumsum(counts)[:-1]), middle, spread, strict=True):
        assert np.array_equal(own, np.median(part, axis=0))
        assert np.array_equal(off, np.median(np.abs(part - own), axis=0))


def test_what_all_overlaps_leave_is_no_fold_and_a_fold_in_one_of_them_is() -> None:
    """Half a px wherever one looks, as under a weave or a head that shakes, is not the paper's."""
    places, rng = [Placement(name, SIZE, np.eye(3)) for name in "abcd"], np.random.default_rng(7)
    one = _ties(_pair(), None, rng, count=300)
    wave = np.sign(np.sin(one.xy_a[:, 1:] / 60)) * (0.0, 0.5)  # to and fro every 30 mm
    crease = np.where(one.xy_a[:, 1:] > 300, 1.5, 0.0) * (0.0, 1.0)

    def left(each: list[np.ndarray]) -> Ties:
        rows = [
            (k, k + 1, p, p + off + rng.normal(0, 0.04, 2), np.eye(2) / 0.04**2, 0.9)
            for k, offs in enumerate(each)
            for p, off in zip(one.xy_a, offs, strict=True)
        ]
        return gathered(rows)

    assert folds_at(places, left([wave, 0 * wave, 0 * wave]), SCALE, FoldSettings()).sum() > 50
    assert not folds_at(places, left([wave] * 3), SCALE, FoldSettings()).any()
    folded = left([crease, 0 * wave, 0 * wave])
    assert set(folded.a[folds_at(places, folded, SCALE, FoldSettings())].tolist()) == {0}
