"""I check that two tiles are joined by the motion that is true, and not joined where there is none."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import tolerances as tol
import truth

from stitchbed.imaging.gray import evened, gray_of
from stitchbed.imaging.transforms import moved
from stitchbed.matching.features import FeatureSettings, Keypoints, detect
from stitchbed.matching.hypotheses import LinkSettings
from stitchbed.matching.similarity_links import Link, NoLink, Sight, agreement, believable, proposals, scales_seen

SETTINGS = LinkSettings()
SHAPE = (400, 500)


def _seen(name: str, pixels: np.ndarray) -> tuple[Keypoints, Sight]:
    gray = gray_of(pixels)
    return detect(name, pixels, 1, FeatureSettings()), Sight(evened(gray, 12.0, 2.0), 1.0)


def _link(one: np.ndarray, two: np.ndarray, scale: float = 1.0) -> Link | NoLink:
    (a, sight_a), (b, sight_b) = _seen("a", one), _seen("b", two)
    found = proposals(a, b, (sight_a, sight_b), scale, SETTINGS)
    return found if isinstance(found, NoLink) else found[0]


def _misses(found: Link, true: np.ndarray) -> float:
    """Greatest miss (px of b) over the inliers' own region."""
    (left, top), (right, foot) = found.xy_a.min(0), found.xy_a.max(0)
    corners = np.array([[left, top], [right, top], [right, foot], [left, foot]])
    return float(np.hypot(*(moved(found.b_from_a, corners) - moved(true, corners)).T).max())


@pytest.mark.parametrize(("features", "threshold"), [(20, 14), (50, 23), (100, 38)])
def test_the_match_test_of_brown_and_lowe(features: int, threshold: int) -> None:
    """n_i > 8.0 + 0.3 n_f. Reference: Brown & Lowe, IJCV 74:59-73, 2007, eq. 13."""
    assert not believable(threshold, features) and believable(threshold + 1, features)


def test_its_constants_follow_from_its_probabilities() -> None:
    """p1 = .6, p0 = .1, prior 1e-6, p_min = .999 give 7.962 and .3116, printed as 8.0 and .3 (recomputed)."""
    p1, p0, prior, least = 0.6, 0.1, 1e-6, 0.999
    per_inlier = np.log(p1 * (1 - p0) / (p0 * (1 - p1)))
    beta = np.log((1 - p0) / (1 - p1)) / per_inlier
    alpha = np.log(least / (1 - least) * (1 - prior) / prior) / per_inlier
    assert (alpha, beta) == (pytest.approx(7.962, abs=0.001), pytest.approx(0.3116, abs=0.0001))
    for features in range(10, 400):
        exact = int(np.floor(alpha + beta * features))
        rounded = next(n for n in range(features + 10) if believable(n, features)) - 1
        assert abs(exact - rounded) <= 0.0116 * features + 1  # what rounding .3116 to .3 is worth


@pytest.mark.parametrize("turn", [0.0, 1.0, 37.0, 90.0, 180.0, 270.0])
def test_overlapping_tiles_are_joined_whatever_their_turn(turn: float) -> None:
    sheet = truth.paint_sheet(620, 900, 21)
    poses = [truth.pose(290, 310, 0.0, shape=SHAPE), truth.pose(600, 300, turn, shape=SHAPE)]
    one, two = truth.cut_tiles(sheet, poses, shape=SHAPE, faults=truth.Faults(noise=0.006, gain=0.05), seed=2)
    found = _link(one.pixels, two.pixels)
    assert isinstance(found, Link) and not found.weak
    assert _misses(found, np.linalg.inv(two.sheet_from_tile) @ one.sheet_from_tile) < tol.SURVEY_LINK_PX
    assert believable(len(found.xy_a), len(found.xy_a))
    assert 0.3 < found.agreement <= 1 and found.rival < 0.5
    assert 0.01 < found.sigma < 1


def test_a_known_difference_in_scale_is_found() -> None:
    sheet = truth.paint_sheet(620, 900, 22)
    poses = [truth.pose(290, 310, 0.0, shape=SHAPE), truth.pose(600, 300, 3.0, shape=SHAPE, scale=2 / 3)]
    one, two = truth.cut_tiles(sheet, poses, shape=SHAPE)
    found = _link(one.pixels, two.pixels, scale=1.5)
    assert isinstance(found, Link)
    assert _misses(found, np.linalg.inv(two.sheet_from_tile) @ one.sheet_from_tile) < 1.5 * tol.SURVEY_LINK_PX


def test_a_link_is_the_same_from_both_sides() -> None:
    _, (one, two) = truth.make_set(1, 2, seed=23)
    there, back = _link(one.pixels, two.pixels), _link(two.pixels, one.pixels)
    assert isinstance(there, Link) and isinstance(back, Link)
    assert _misses(there, np.linalg.inv(back.b_from_a)) < tol.SURVEY_LINK_PX


def test_different_sheets_are_not_joined() -> None:
    whole = truth.pose(249.5, 199.5, 0)
    pictures = [truth.cut_tiles(truth.paint_sheet(400, 500, s), [whole])[0].pixels for s in (1, 2)]
    found = _link(*pictures)
    assert isinstance(found, NoLink) and (found.a, found.b) == ("a", "b")
    assert found.reason and found.tried > 0


def test_blank_paper_is_not_joined() -> None:
    blank = np.full((400, 500, 3), 220, np.uint8)
    found = _link(blank, blank)
    assert isinstance(found, NoLink) and found.reason == "too little structure to compare" and found.tried == 0


def test_dust_on_the_glass_does_not_join_tiles_at_zero_shift() -> None:
    """Grains keep their place on the bed, so they match themselves; the drawing underneath does not."""
    dust = truth.Faults(dust=60)
    pictures = [
        truth.cut_tiles(truth.paint_sheet(400, 500, s), [truth.pose(249.5, 199.5, 0)], faults=dust, seed=9)[0].pixels
        for s in (3, 4)
    ]
    assert isinstance(_link(*pictures), NoLink)


def test_a_repeated_motif_loses_to_the_true_motion() -> None:
    """The same ornament every 130 px, thin true drawing in between: the wrong motion explains the ornament only."""
    rng = np.random.default_rng(8)
    sheet = truth.paint_sheet(460, 900, 24)
    ornament = truth.paint_sheet(90, 110, 25)
    for x in range(20, 780, 130):
        for y in (40, 180, 320):
            sheet[y : y + 90, x : x + 110] = ornament * np.exp(rng.normal(0, 0.01))
    poses = [truth.pose(260, 230, 0.0, shape=SHAPE), truth.pose(601, 228, 1.0, shape=SHAPE)]
    one, two = truth.cut_tiles(sheet, poses, shape=SHAPE)
    found = _link(one.pixels, two.pixels)
    assert isinstance(found, Link)
    assert _misses(found, np.linalg.inv(two.sheet_from_tile) @ one.sheet_from_tile) < 2 * tol.SURVEY_LINK_PX
    assert found.rival < 1


def test_agreement_knows_the_right_motion() -> None:
    gray = gray_of(truth.make_set(1, 1, seed=25)[1][0].pixels)
    sight = Sight(evened(gray, 12.0, 2.0), 1.0)
    assert agreement(np.eye(3), (sight, sight)) == pytest.approx(1, abs=1e-3)
    by_nine = np.array([[1, 0, 9.0], [0, 1, 0], [0, 0, 1]])
    assert abs(agreement(by_nine, (sight, sight))) < 0.2
    far = np.array([[1, 0, 495.0], [0, 1, 0], [0, 0, 1]])
    assert agreement(far, (sight, sight)) == -1


@pytest.mark.parametrize("reduction", [2, 3])
def test_agreement_is_asked_in_full_resolution_pixels(reduction: int) -> None:
    """Reduced views have their pixel centers elsewhere; the motion given is of full-resolution px."""
    gray = gray_of(truth.make_set(1, 1, seed=26, shape=(600, 720))[1][0].pixels)
    moved_on = np.roll(gray, (12, -18), axis=(0, 1))
    size = (gray.shape[1] // reduction, gray.shape[0] // reduction)
    small = [cv2.resize(picture, size, interpolation=cv2.INTER_AREA) for picture in (gray, moved_on)]
    sights = tuple(Sight(evened(s, 12.0, 2.0), float(reduction)) for s in small)
    right = np.array([[1, 0, -18.0], [0, 1, 12.0], [0, 0, 1]])
    best = agreement(right, (sights[0], sights[1]))
    assert best > 0.95
    for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        beside = right + np.array([[0, 0, reduction * dx / 2], [0, 0, reduction * dy / 2], [0, 0, 0]])
        assert agreement(beside, (sights[0], sights[1])) < best


@pytest.mark.parametrize("scale", [0.5, 1.0, 1.9])
def test_scales_worth_trying_are_read_off_matched_points(scale: float) -> None:
    """From the sizes of points alone, to a few percent: enough to start from when a file's dpi is wrong."""
    sheet = truth.paint_sheet(620, 900, 22)
    poses = [truth.pose(290, 310, 0.0, shape=SHAPE), truth.pose(520, 300, 20.0, shape=SHAPE, scale=1 / scale)]
    one, two = truth.cut_tiles(sheet, poses, shape=SHAPE)
    tried = scales_seen(_seen("a", one.pixels)[0], _seen("b", two.pixels)[0], SETTINGS)
    assert min(abs(guess / scale - 1) for guess in tried) < SETTINGS.scale_window


def test_no_scale_is_read_off_strangers() -> None:
    blank = _seen("b", np.full((400, 500, 3), 220, np.uint8))[0]
    drawn = _seen("a", truth.make_set(1, 1, seed=1)[1][0].pixels)[0]
    assert scales_seen(drawn, blank, SETTINGS) == []


def test_each_motion_is_proposed_once() -> None:
    """Lines of writing that come again fit at every refrain; many guesses lead to each, and each is told once."""
    rng = np.random.default_rng(2)
    lines = [[rng.integers(-12, 13, (4, 2)) for _ in range(22)] for _ in range(3)]
    sheet = np.full((620, 500), 220, np.uint8)
    for row in range(15):
        for col, strokes in enumerate(lines[row % 3] if row % 5 else rng.integers(-12, 13, (22, 4, 2))):
            cv2.polylines(sheet, [np.array(strokes) + (22 + 21 * col, 30 + 40 * row)], False, 40, 2, cv2.LINE_AA)
    parts = [np.clip(part + rng.normal(0, 4, part.shape), 0, 255) for part in (sheet[:400], sheet[220:])]
    (a, sight_a), (b, sight_b) = (_seen(n, p.astype(np.uint8)[..., None]) for n, p in zip("ab", parts, strict=True))
    found = proposals(a, b, (sight_a, sight_b), 1.0, SETTINGS)
    assert not isinstance(found, NoLink) and len(found) >= 2
    steps = np.concatenate([moved(one.b_from_a, a.xy.mean(0)[None]) for one in found])
    assert (np.hypot(*(steps[:, None] - steps[None]).T) + 1e3 * np.eye(len(steps))).min() > 20
    assert min(np.hypot(*(steps - a.xy.mean(0) + (0, 220)).T)) < 2  # the true one is among them
