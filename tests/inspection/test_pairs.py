"""I check what is found without help from what is drawn: lines of the sensor, few tones, and what pairs of scans show.

Faults are made here on plain arrays, so that what is planted is known to the pixel.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from stitchbed.core.arrays import Floats
from stitchbed.imaging.box import Box
from stitchbed.imaging.depth import eight_bit
from stitchbed.imaging.transfer import transfer_of
from stitchbed.inspection.checks.light import compared_parts, gains, suspects
from stitchbed.inspection.checks.pieces import noise_finding
from stitchbed.inspection.differences import difference_of, lone_stripes
from stitchbed.inspection.fineness import SMEAR_CELLS
from stitchbed.inspection.glass import grains, speck_depth
from stitchbed.inspection.looks import Glance, Look, look_at
from stitchbed.inspection.overlaps import LIFT, Comparison, _medians, _side_loss, compare
from stitchbed.inspection.patches import _jump, _sure_slope, course_of, thin_shared
from stitchbed.inspection.sensor.bands import cut_off
from stitchbed.inspection.sensor.ends import black_end, few_tones
from stitchbed.inspection.sensor.lines import streaks, stuck
from stitchbed.inspection.smears import _sure_smear, smear
from stitchbed.inspection.specks import LEAST_DUST
from stitchbed.reading.base.tile import Raster

SIDE, SHARED = 640, 200  # px of a piece's sides and of the overlap
B_FROM_A = np.array([[1, 0, SHARED - SIDE], [0, 1, 0], [0, 0, 1.0]])


@dataclass(frozen=True)
class _Windows:
    """A picture in memory, read like a file."""

    pixels: NDArray[np.uint8]

    @property
    def raster(self) -> Raster:
        return Raster(self.pixels.shape, "uint8", 8, None, (200.0, 200.0), True)

    def window(self, box: Box) -> NDArray[Any]:
        return self.pixels[box.slices]

    def view(self, reduction: int) -> NDArray[Any]:
        return self.pixels[::reduction, ::reduction]


def _drawn(seed: int) -> Floats:
    """(SIDE, 2 SIDE - SHARED) gray: strokes and dots on paper."""
    rng = np.random.default_rng(seed)
    sheet = np.full((SIDE, 2 * SIDE - SHARED), 225, np.uint8)
    for _ in range(260):
        points = rng.uniform(0, 1, 2) * sheet.shape[::-1] + np.cumsum(rng.normal(0, 9, (12, 2)), axis=0)
        cv2.polylines(sheet, [np.int32(points * 8)], False, int(rng.integers(30, 150)), 2, cv2.LINE_AA, 3)
    return cv2.GaussianBlur(sheet.astype(np.float32), (0, 0), 0.7)


def _look(gray: Floats, seed: int) -> Look:
    noisy = gray + np.random.default_rng(seed).normal(0, 1.2, gray.shape)
    return look_at(_Windows(np.clip(np.rint(noisy), 0, 255).astype(np.uint8)[..., None]), transfer_of(None))


def _pair(seed: int, change: Any = None) -> list[Look]:
    sheet = _drawn(seed)
    a, b = sheet[:, :SIDE].copy(), sheet[:, SIDE - SHARED :].copy()
    return [_look(a, 1), _look(b if change is None else change(b), 2)]


def _rows_from(rows: NDArray[np.float64]) -> Any:
    def change(gray: Floats) -> Floats:
        x, y = np.meshgrid(np.arange(SIDE, dtype=np.float32), rows.astype(np.float32))
        return cv2.remap(gray, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)

    return change


def test_good_pairs_show_nothing() -> None:
    for seed in (1, 2, 3):
        looks = _pair(seed)
        course = course_of(looks, (0, 1), B_FROM_A, 1.0)
        assert np.nanmax(np.abs(course.stretch)) < 0.001
        assert course.jumps == ()
        found = difference_of(looks, (0, 1), B_FROM_A)
        assert found is not None
        for own in (found.own_a, found.own_b):
            assert own.stripes is None
            assert own.smeared <= 2  # a cell by chance, a patch never
            assert own.specks <= 1
        assert all(look.sensed.streaks == () and look.sensed.tones is None for look in looks)


@pytest.mark.parametrize("stretch", [1.01, 0.992])
def test_a_stretch_is_measured(stretch: float) -> None:
    middle = SIDE / 2
    course = course_of(_pair(4, _rows_from(middle + (np.arange(SIDE) - middle) / stretch)), (0, 1), B_FROM_A, 1.0)
    assert course.stretch[1] == pytest.approx(stretch - 1, abs=0.0015)
    assert course.jumps == ()


def test_a_jump_is_found_where_it_is() -> None:
    rows = np.arange(SIDE, dtype=np.float64)
    course = course_of(_pair(5, _rows_from(np.where(rows > 350, rows + 4, rows))), (0, 1), B_FROM_A, 1.0)
    ((row_a, row_b, height),) = course.jumps
    assert (row_a, row_b) == pytest.approx((350, 350), abs=30)  # patches are 40 px high
    assert abs(height) == pytest.approx(4, abs=0.5)
    assert abs(course.stretch[1]) < 0.002  # a jump is no stretch


def test_a_screen_that_fits_itself_two_ways_side_by_side_does_not_jump() -> None:
    at = np.repeat(np.arange(900.0, 1090.0, 30.0), 4)
    true = np.where(at < 975, 13.0, 0.0)
    assert _jump(at, true) == pytest.approx((975.0, -13.0))
    mixed = true.copy()
    mixed[[5, 10, 14, 17]] = 13.0 - mixed[[5, 10, 14, 17]]  # on both sides some patches lie where the other side does
    assert _jump(at, mixed) is None


def test_stripes_belong_to_the_scan_that_has_them() -> None:
    def striped(gray: Floats) -> Floats:
        return gray + 6 * np.sin(2 * np.pi * np.arange(SIDE, dtype=np.float32) / 11.3)[:, None]

    found = difference_of(_pair(6, striped), (0, 1), B_FROM_A)
    assert found is not None
    assert found.own_a.stripes is None
    assert found.own_b.stripes is not None
    assert found.own_b.stripes.period == pytest.approx(11.3, rel=0.05)
    assert found.own_b.stripes.along == "rows"


def test_another_exposure_curve_over_lines_of_writing_is_no_band() -> None:
    rng = np.random.default_rng(8)
    sheet = np.full((SIDE, 2 * SIDE - SHARED), 225, np.float32)
    for row in range(20, SIDE - 10, 24):
        for x in range(10, sheet.shape[1] - 20, 7):
            cv2.line(sheet, (x, row - 5), (x + 5, row + int(rng.integers(-5, 9))), 60.0, 2, cv2.LINE_AA)
    sheet = cv2.GaussianBlur(sheet, (0, 0), 2.5)  # a broad pen on soft paper
    a, b = sheet[:, :SIDE], sheet[:, SIDE - SHARED :]
    found = difference_of([_look(a, 1), _look(255 * (b / 255) ** 1.3, 2)], (0, 1), B_FROM_A)
    assert found is not None and (found.own_a.stripes, found.own_b.stripes) == (None, None)


def test_light_that_differs_at_both_ends_of_an_overlap_is_no_band() -> None:
    sheet = np.ascontiguousarray(_drawn(9).T)
    lifted = 1 - 0.012 * np.cos(2 * np.pi * 3.2 * np.arange(SIDE, dtype=np.float32)[:, None] / SHARED)
    looks = [_look(sheet[:SIDE], 1), _look(sheet[SIDE - SHARED :] * lifted, 2)]
    found = difference_of(looks, (0, 1), np.array([[1, 0, 0], [0, 1, SHARED - SIDE], [0, 0, 1.0]]))
    assert found is not None and (found.own_a.stripes, found.own_b.stripes) == (None, None)


def test_stripes_are_seen_in_a_piece_that_lies_on_no_other() -> None:
    y, x = np.mgrid[0:SIDE, 0:SIDE]
    screen = 6 * np.sin(2 * np.pi * (0.8 * x + 0.6 * y) / 13.7)
    plain = [_painted(seed)[:, :SIDE] for seed in (31, 32, 33)]
    looks = [_look(gray + screen * (k == 1), k) for k, gray in enumerate(plain)]
    assert lone_stripes(looks, 0) is None
    found = lone_stripes(looks, 1)
    assert found is not None
    assert found.period == pytest.approx(13.7, rel=0.05)
    assert lone_stripes([_look(gray + screen, k) for k, gray in enumerate(plain)], 1) is None  # drawn in all
    half = np.where(x < SIDE // 2, 3 * screen, 0)  # drawn in one, on a part of it
    assert lone_stripes([_look(gray + half * (k == 1), k) for k, gray in enumerate(plain)], 1) is None


def test_lines_of_letters_out_of_focus_are_no_bands() -> None:
    """They are held less than sharp ones, and so only seem to be a stronger wave."""
    rng = np.random.default_rng(5)
    pages = [np.full((SIDE, SIDE), 240, np.float32) for _ in range(3)]
    for page in pages:
        for row in range(12, SIDE, 21):
            page[row : row + 9] -= 200 * np.repeat(rng.random((1, SIDE // 4)) < 0.35, 4, axis=1)
    looks = [_look(cv2.GaussianBlur(page, (0, 0), 3 if k == 1 else 0.6), k) for k, page in enumerate(pages)]
    assert lone_stripes(looks, 1) is None


def test_the_screen_of_a_print_that_lies_a_little_askew_in_each_scan_is_no_moire() -> None:
    y, x = np.mgrid[0:SIDE, 0:SIDE]
    askew = [0.6 + 0.03 * k for k in range(3)]  # rad: 1.7 degrees from scan to scan
    screens = [6 * np.sin(2 * np.pi * (np.cos(a) * x + np.sin(a) * y) / 4.1) for a in askew]
    plain = [_painted(seed)[:, :SIDE] for seed in (31, 32, 33)]
    looks = [_look(gray + screen, k) for k, (gray, screen) in enumerate(zip(plain, screens, strict=True))]
    assert lone_stripes(looks, 1) is None
    assert lone_stripes([_look(plain[0], 0), looks[1], _look(plain[2], 2)], 1) is not None


def test_smears_belong_to_the_scan_that_has_them() -> None:
    def smeared(gray: Floats) -> Floats:
        gray[200:360, 20:180] = cv2.GaussianBlur(gray, (0, 0), 3)[200:360, 20:180]
        return gray

    found = difference_of(_pair(8, smeared), (0, 1), B_FROM_A)
    assert found is not None
    assert found.own_a.smeared == 0
    assert found.own_b.smeared >= 8  # of about 6 x 6 cells, those with strokes


def test_another_exposure_curve_is_no_smear() -> None:
    """An exponent takes contrast from dark strokes, and white cut off takes pale ones away."""

    def exposed(gray: Floats) -> Floats:
        gray[200:360] = 0.3 * gray[200:360]  # dark paint with dark strokes
        gray[40:200] = 200 + 0.2 * gray[40:200]  # pale ones
        return gray

    sheet = exposed(_drawn(8))
    for curve in (lambda light: light**1.25, lambda light: light**0.85, lambda light: 1.06 * light):
        second = 255 * np.minimum(curve(sheet[:, SIDE - SHARED :] / 255), 1)
        found = difference_of([_look(sheet[:, :SIDE], 1), _look(second, 2)], (0, 1), B_FROM_A)
        assert found is not None and max(found.own_a.smeared, found.own_b.smeared) <= 2


def test_a_dead_column_is_no_smear_of_the_neighbor() -> None:
    def dead(gray: Floats) -> Floats:
        gray[:, 100] = 20
        return gray

    found = difference_of(_pair(8, dead), (0, 1), B_FROM_A)
    assert found is not None
    assert (found.own_a.smeared, found.own_b.smeared) == (0, 0)


def test_a_part_of_a_px_between_two_scans_is_no_smear() -> None:
    sheet = _drawn(1)
    sharp = sheet + 1.2 * (sheet - cv2.GaussianBlur(sheet, (0, 0), 1.0))
    y, x = np.mgrid[0:SIDE, 0 : sheet.shape[1]].astype(np.float32)
    aside = 0.5 * (np.hypot(x - 520, y - 300) < 110).astype(np.float32)  # halfway between px, which softens them
    there = cv2.remap(sharp, x + aside, y + aside, cv2.INTER_LINEAR)
    looks = [_look(sharp[:, :SIDE], 1), _look(there[:, SIDE - SHARED :], 2)]
    found = difference_of(looks, (0, 1), B_FROM_A)
    assert found is not None
    assert max(found.own_a.smeared, found.own_b.smeared) <= 2


def test_specks_belong_to_the_scan_that_has_them() -> None:
    def dirty(gray: Floats) -> Floats:
        rng = np.random.default_rng(7)
        for x, y in rng.uniform((8, 400), (SHARED - 8, SIDE - 8), (30, 2)):
            cv2.circle(gray, (int(x), int(y)), 1, 60.0, -1)
        return gray

    found = difference_of(_pair(8, dirty), (0, 1), B_FROM_A)
    assert found is not None
    assert found.own_a.specks <= 1
    assert 12 <= found.own_b.specks <= 30  # some fall on strokes


def test_dust_on_dark_paint_is_lighter_and_darker_and_belongs_to_the_scan_that_has_it() -> None:
    rng = np.random.default_rng(7)
    sheet = _painted(21) - 40
    dusty = sheet[:, SIDE - SHARED :].copy()
    for x, y in rng.uniform((8, 8), (SHARED - 8, SIDE - 8), (60, 2)):
        cv2.circle(dusty, (int(x), int(y)), 1, float(rng.uniform(30, 120)), -1)
    for second, least, most in ((sheet[:, SIDE - SHARED :], 0, 1), (dusty, 24, 60)):
        found = difference_of([_look(sheet[:, :SIDE], 1), _look(second, 2)], (0, 1), B_FROM_A)
        assert found is not None and found.own_a.specks <= 1
        assert least <= found.own_b.specks <= most


def test_specks_are_counted_per_area() -> None:
    """Some fall on strokes as dark as they are and are not seen there."""
    count = 90

    def dirty(gray: Floats) -> Floats:
        rng = np.random.default_rng(7)
        for x, y in rng.uniform((8, 8), (SHARED - 8, SIDE - 8), (count, 2)):
            cv2.circle(gray, (int(x), int(y)), 1, 60.0, -1)
        return gray

    found = difference_of(_pair(8, dirty), (0, 1), B_FROM_A)
    assert found is not None
    assert found.own_b.specks / found.own_b.area == pytest.approx(count / ((SHARED - 16) * (SIDE - 16)), rel=0.25)


def test_where_lines_do_not_quite_meet_no_speck_would_stand_alone() -> None:
    def slipped(gray: Floats) -> Floats:
        y, x = np.mgrid[0:SIDE, 0 : gray.shape[1]].astype(np.float32)
        there = (x + 0.7 * (y > SIDE / 2)).astype(np.float32)
        return cv2.remap(gray, there, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)

    clean, aside = (difference_of(_pair(8, change), (0, 1), B_FROM_A) for change in (None, slipped))
    assert clean is not None and aside is not None
    assert aside.own_a.area < 0.85 * clean.own_a.area and aside.own_b.area < 0.85 * clean.own_b.area
    assert max(aside.own_a.specks, aside.own_b.specks) < LEAST_DUST


def test_feet_of_letters_that_one_scan_shows_a_px_lower_are_no_dust() -> None:
    rng = np.random.default_rng(3)
    sheet = np.full((SIDE, 2 * SIDE - SHARED), 225, np.uint8)
    for x, y in rng.integers((SIDE - SHARED + 8, 20), (SIDE - 8, SIDE - 60), (90, 2)):
        sheet[y : y + 40, x : x + 3] = 40
    soft = cv2.GaussianBlur(sheet.astype(np.float32), (0, 0), 0.7)
    lower = np.vstack([soft[: SIDE // 2], soft[SIDE // 2 - 1 : -1]])
    found = difference_of([_look(soft[:, :SIDE], 1), _look(lower[:, SIDE - SHARED :], 2)], (0, 1), B_FROM_A)
    assert found is not None and max(found.own_a.specks, found.own_b.specks) < LEAST_DUST


def test_grain_that_one_scan_shows_a_little_darker_is_no_dust() -> None:
    def grainy(gray: Floats) -> Floats:
        rng = np.random.default_rng(7)
        for x, y in rng.integers((8, 400), (SHARED - 8, SIDE - 8), (60, 2)):
            gray[y, x] -= 7.5  # the other scan shows less than half of it: its pixels lie elsewhere
        return gray

    found = difference_of(_pair(8, grainy), (0, 1), B_FROM_A)
    assert found is not None
    assert found.own_b.specks < LEAST_DUST / 2


def test_a_line_of_the_sensor_is_told_from_a_drawn_one() -> None:
    gray = _drawn(9)[:, :SIDE] + np.random.default_rng(9).normal(0, 1.2, (SIDE, SIDE)).astype(np.float32)
    cv2.line(gray, (100, 0), (103, SIDE), 40.0, 1)  # ruled, a little askew as all drawn lines are
    assert streaks(gray, 1) == []
    gray[:, 411] += 4
    ((found),) = streaks(gray, 1)
    assert (found.at, found.depth > 0) == (411, True)
    assert streaks(gray, 0) == []


def test_a_row_of_rough_strokes_on_a_bare_page_is_no_line_of_the_sensor() -> None:
    gray = np.full((SIDE, 12 * 40), 230.0, np.float32)
    steps = (-3, -17, -5, 2, -6, -2, -3, -1, -1, -3, -1, -6)  # lighter and darker than the rows beside it, as it comes
    rows = slice(SIDE // 2 - 6, SIDE // 2 + 7)
    gray[rows] = 180
    for segment, step in enumerate(steps):
        gray[SIDE // 2, 40 * segment : 40 * segment + 40] = 180 + step
    assert streaks(gray, 0) == []
    for segment in range(len(steps)):
        gray[SIDE // 2, 40 * segment : 40 * segment + 40] = 175
    assert [found.at for found in streaks(gray, 0)] == [SIDE // 2]


@pytest.mark.parametrize(("dark", "told"), [(0.6, []), (1.0, [200])])
def test_the_feet_of_a_line_of_letters_are_no_line_of_the_sensor(dark: float, told: list[int]) -> None:
    rng = np.random.default_rng(6)
    gray = 220 + rng.normal(0, 1.0, (600, 480)).astype(np.float32)
    gray[200] -= 36 * (rng.random(480) < dark)
    seen = _look(gray, 6).sensed.streaks
    assert [one.at for one in seen if one.axis == 0] == told


@pytest.mark.parametrize("waves", [True, False])
def test_one_wave_of_a_printed_screen_among_others_is_no_line_of_the_sensor(waves: bool) -> None:
    """The waves fade in and out along the scan, so that of three one only is seen in nearly all of its segments."""
    view = 180 + np.random.default_rng(4).normal(0, 1.0, (360, 300)).astype(np.float32)
    fading = np.repeat([3.5, 9, 6, 9, 10, 11, 4, 7, 6, 7, 3.5, 4], 25)
    view[100] += fading
    if waves:
        for row, height in ((95, 4.5), (105, 5.5)):
            view[row] += np.where(np.arange(300) // 25 % 3 == 0, -1, height)
    assert [one.at for one in streaks(view, 0)] == ([] if waves else [100])


def test_white_is_cut_off_where_drawing_is_and_not_by_a_lid_beside_the_sheet() -> None:
    rng = np.random.default_rng(12)
    page = np.full((24, 1200), 215.0) + rng.normal(0, 3, (24, 1200))
    for x in rng.integers(0, 1200, 40):
        page[:, x : x + 3] = 40.0  # lines
    page[:, 1150:] = 255.0  # a white lid

    def cut(gain: float) -> float:
        codes = np.clip(np.rint(page * gain), 0, 255).astype(np.uint8)
        return cut_off([codes[..., None].repeat(3, axis=2)] * 3)[1]

    assert cut(1.0) == 0.0
    assert cut(1.25) > 0.5
    assert cut_off([]) == (0.0, 0.0)
    # a wash, of which the lightest fifth is cut off
    page = 150 + 60 * np.sin(np.arange(1200) / 190) + rng.normal(0, 14, (24, 1200))
    assert cut(1.0) == 0.0
    assert 0.1 < cut(255 / 205) < 0.4


def test_few_tones_and_black_ends() -> None:
    rng = np.random.default_rng(10)
    soft = np.clip(np.linspace(40, 220, 256)[None] + rng.normal(0, 1, (256, 256)), 0, 255).astype(np.uint8)[..., None]
    assert few_tones([soft]) is None
    assert few_tones([soft // 16 * 17]) == 12  # levels 2 to 13 of sixteen
    assert few_tones([soft.astype(np.uint16) * 257]) is None
    bold = np.where(np.arange(256)[None] < 120, 60, 230) + rng.normal(0, 2, (256, 256))  # an ink and its paper
    assert few_tones([np.rint(bold).astype(np.uint8)[..., None]]) is None
    ninths = np.rint(np.rint(soft / 255.0 * 9) / 9 * 65535).astype(np.uint16)  # codes that lie between those of 8 bits
    assert few_tones([ninths]) == few_tones([eight_bit(ninths)]) == 8
    view = np.full((300, 200), 230, np.float32)
    assert black_end(view) is None
    view[270:] = 3
    assert black_end(view) == ("bottom", 0.1)


def test_dots_of_a_drawing_are_not_taken_for_dust() -> None:
    rng = np.random.default_rng(11)
    views = []
    for _ in range(5):
        view = np.full((500, 400), 230, np.float32)
        for x, y in rng.uniform((4, 4), (396, 496), (2600, 2)):
            cv2.circle(view, (int(x), int(y)), 1, 60.0, -1)
        views.append(view)
    assert grains(views) == []
    for view in views:
        view[:250] = 230
        cv2.circle(view, (210, 110), 1, 60.0, -1)
    assert [round(grain.y) for grain in grains([view[:250] for view in views])] == [110]


def test_a_fingerprint_on_bare_paper_belongs_to_the_scan_that_shows_it() -> None:
    def touched(gray: Floats) -> Floats:
        y, x = np.mgrid[0:SIDE, 0:SIDE]
        return np.asarray(gray + 4 * np.sin(np.hypot(x - 60, y - 300)) * (np.hypot(x - 95, y - 320) < 85), np.float32)

    looks = _pair(15, touched)
    found = difference_of(looks, (0, 1), B_FROM_A)
    assert found is not None
    assert found.own_b.smeared >= SMEAR_CELLS
    assert found.own_a.smeared <= 2


def _painted(seed: int) -> Floats:
    """(SIDE, 2 SIDE - SHARED) gray: soft patches of paint, with no line and no bare paper."""
    rng = np.random.default_rng(seed)
    shape = SIDE, 2 * SIDE - SHARED
    soft = sum(cv2.GaussianBlur(rng.normal(0, 14 * s, shape), (0, 0), s) for s in (3, 8, 20))
    return np.asarray(np.clip(110 + soft, 20, 235), np.float32)


def test_a_side_that_lifts_is_told_of_a_print_all_over_which_shows_no_paper() -> None:
    rng = np.random.default_rng(4)
    sheet = np.where(rng.random((SIDE // 3, (2 * SIDE - SHARED) // 3)) < 0.5, 60.0, 225.0).astype(np.float32)
    sheet = cv2.GaussianBlur(cv2.resize(sheet, (2 * SIDE - SHARED, SIDE), interpolation=cv2.INTER_NEAREST), (0, 0), 1.0)
    a, b = sheet[:, :SIDE], sheet[:, SIDE - SHARED :]
    lift = 1 - 0.15 * np.clip(1 - np.arange(SIDE) / 60, 0, 1).astype(np.float32)
    for second, sides in ((b, []), (b * lift, ["left"])):
        found = compare([_look(a, 1), _look(second, 2)], (0, 1), B_FROM_A)
        assert [one.side for one in found.losses_b if one.sure > LIFT] == sides
        assert not any(one.sure > LIFT for one in found.losses_a)


def test_a_veil_and_bands_over_a_painting_belong_to_the_scan_that_has_them() -> None:
    sheet = _painted(18)
    y, x = np.mgrid[0:SIDE, 0:SIDE]
    veil = np.clip(1.5 - np.hypot(x - 100, y - 320) / 80, 0, 1) * 0.35
    bands = 1 + 0.02 * np.sin(2 * np.pi * y / 31)
    a, b = sheet[:, :SIDE], sheet[:, SIDE - SHARED :]
    for change, count, along in (
        (b, (0, 0), None),
        (b * (1 - veil) + 130 * veil, (0, 1), None),
        (b * bands, (0, 0), "rows"),
    ):
        found = difference_of([_look(a, 1), _look(change, 2)], (0, 1), B_FROM_A)
        assert found is not None
        assert (found.own_a.smeared >= SMEAR_CELLS, found.own_b.smeared >= SMEAR_CELLS) == count
        assert (found.own_b.stripes.along if found.own_b.stripes else None) == along
        if along:
            assert found.own_b.stripes is not None
            assert found.own_b.stripes.period == pytest.approx(31, rel=0.05)


def test_bands_over_a_page_drawn_in_rows_are_told_though_both_scans_show_its_rows() -> None:
    rows = cv2.GaussianBlur(np.random.default_rng(2).normal(0, 1, (SIDE, 1)), (1, 0), 0, sigmaY=2)
    sheet = _painted(18) * (1 + 0.15 * rows / rows.std()).astype(np.float32)
    bands = 1 + 0.02 * np.sin(2 * np.pi * np.arange(SIDE) / 18)[:, None]
    a, b = sheet[:, :SIDE], sheet[:, SIDE - SHARED :]
    for second, along in ((b, None), (b * bands, "rows")):
        found = difference_of([_look(a, 1), _look(np.asarray(second, np.float32), 2)], (0, 1), B_FROM_A)
        assert found is not None
        assert (found.own_b.stripes.along if found.own_b.stripes else None) == along


def test_bands_in_a_short_overlap_confirm_what_a_long_one_shows() -> None:
    sheet, rows = _painted(18), np.arange(SIDE)
    bands = 1 + 0.01 * np.sin(2 * np.pi * rows / 31) + np.random.default_rng(5).normal(0, 0.004, SIDE)
    a, b = sheet[:, :SIDE], sheet[:, SIDE - SHARED :] * bands[:, None].astype(np.float32)
    found = [difference_of([_look(a, 1), _look(b[:shared], 2)], (0, 1), B_FROM_A) for shared in (150, SIDE)]
    short, long = (one.own_b.stripes if one else None for one in found)
    assert short is not None and long is not None
    assert (short.sure, long.sure) == (False, True)
    assert short.confirms(long)


def test_dust_on_the_glass_is_found_among_drawn_dots_and_on_painting() -> None:
    rng = np.random.default_rng(13)
    places = [(70, 60), (310, 90), (200, 260), (90, 420), (330, 380), (150, 160)]
    for tones in ((235, 236), (60, 200)):  # dots on paper; patches of paint
        views = []
        for _ in range(6):
            view = cv2.resize(
                rng.uniform(*tones, (10, 8)).astype(np.float32), (400, 500), interpolation=cv2.INTER_CUBIC
            )
            for x, y in rng.uniform((4, 4), (396, 496), (1500 if tones[0] > 200 else 0, 2)):
                cv2.circle(view, (int(x), int(y)), 1, 60.0, -1)
            views.append(view + rng.normal(0, 1, view.shape).astype(np.float32))
        assert grains(views) == []
        for view in views:
            for place in places:
                cv2.circle(view, place, 2, 30.0, -1)
        found = [(grain.x, grain.y) for grain in grains(views)]
        assert sum(min(np.hypot(x - u, y - v) for x, y in found) < 3 for u, v in places) >= 5
        assert len(found) <= 8


def test_dust_among_so_many_dots_that_they_meet_by_chance_is_told_by_its_whole_size() -> None:
    rng = np.random.default_rng(21)
    places = [(70, 60), (310, 90), (200, 260), (90, 420), (330, 380), (150, 160), (240, 330), (50, 250)]
    views = [np.full((500, 400), 235, np.uint8) for _ in range(6)]
    for view in views:
        for x, y in rng.uniform((0, 0), (400, 500), (2600, 2)):
            cv2.circle(view, (int(8 * x), int(8 * y)), int(8 * rng.uniform(0.8, 2.2)), 40, -1, cv2.LINE_AA, 3)
    assert grains([view.astype(np.float32) for view in views]) == []
    for view in views:
        for place in places:
            cv2.circle(view, place, 2, 50, -1, cv2.LINE_AA)
    found = grains([view.astype(np.float32) for view in views])
    near = [any(np.hypot(grain.x - x, grain.y - y) < 3 for grain in found) for x, y in places]
    assert sum(near) >= 3
    assert len(found) - sum(near) <= 1


def test_lines_of_lettering_at_the_same_rows_are_no_dust() -> None:
    rng = np.random.default_rng(23)
    views = [np.full((500, 400), 235, np.uint8) for _ in range(6)]
    for view in views:
        for row in (60, 150, 240, 330, 420):
            for x in rng.uniform(4, 396, 110):
                cv2.circle(view, (int(8 * x), int(8 * (row + rng.normal(0, 1)))), 10, 40, -1, cv2.LINE_AA, 3)
    assert grains([view.astype(np.float32) for view in views]) == []


def test_letters_of_one_line_that_all_scans_show_at_one_row_are_no_dust() -> None:
    def lettered(seed: int) -> Floats:
        rng = np.random.default_rng(seed)
        view = np.full((480, 360), 230, np.float32)
        for row in (60, *(np.arange(80, 450, 14) + rng.integers(0, 14))):
            for x in range(40 + int(rng.integers(0, 6)), 220, 6):
                left = x + int(rng.integers(0, 4))
                view[row : row + int(rng.integers(3, 6)), left : left + int(rng.integers(2, 5))] = 60
        return view + rng.normal(0, 1, view.shape).astype(np.float32)

    views = [lettered(seed) for seed in range(8, 16)]
    assert grains(views) == []
    rng = np.random.default_rng(3)
    places = rng.uniform((230, 90), (350, 460), (12, 2))
    for view in views:
        for x, y in places:
            cv2.circle(view, (int(x), int(y)), 2, 60.0, -1)
    found = grains(views)
    assert sum(any(np.hypot(grain.x - x, grain.y - y) < 3 for grain in found) for x, y in places) >= 11


def test_one_place_where_some_scans_happen_to_have_a_dot_is_no_grain() -> None:
    rng = np.random.default_rng(19)
    views = [np.full((500, 400), 225.0, np.float32) + rng.normal(0, 1, (500, 400)).astype(np.float32) for _ in range(6)]
    for view in views:
        for x, y in rng.uniform((9, 9), (391, 491), (400, 2)):
            cv2.circle(view, (int(x), int(y)), 1, 60.0, -1)
    for view in views[:4]:
        cv2.circle(view, (200, 250), 1, 60.0, -1)
    assert grains(views) == []
    for view in views:
        cv2.circle(view, (120, 330), 1, 60.0, -1)
    assert (120, 330) in [(round(grain.x), round(grain.y)) for grain in grains(views)]


def test_a_fingerprint_on_the_glass_is_found_under_different_drawings() -> None:
    views = [_drawn(20 + index)[:, :SIDE] for index in range(5)]
    rng = np.random.default_rng(14)
    x, y = np.meshgrid(np.arange(SIDE), np.arange(SIDE))
    ridges = 5 * np.sin(np.hypot(x - 380, y - 420)) * (np.hypot(x - 400, y - 430) < 75)
    noisy = [np.clip(view + rng.normal(0, 1.2, view.shape), 0, 255).astype(np.uint8) for view in views]
    assert smear(noisy) is None
    found = smear([np.clip(np.rint(view + ridges), 0, 255).astype(np.uint8) for view in noisy])
    assert found is not None
    assert np.hypot(found.x - 400, found.y - 430) < 50  # of 75: the rim fades
    assert found.area == pytest.approx(np.pi * 75**2, rel=0.6)
    assert smear(noisy[:2]) is None


def test_a_faint_fingerprint_under_dots_is_found_as_a_whole() -> None:
    """Four scans of dense dots: no cell alone is alike beyond chance."""
    rng = np.random.default_rng(21)
    x, y = np.meshgrid(np.arange(SIDE), np.arange(SIDE))
    ridges = 5.5 * np.sin(np.hypot(x - 380, y - 420)) * (np.hypot(x - 400, y - 430) < 75)
    views = []
    for _ in range(4):
        view = np.full((SIDE, SIDE), 225.0, np.float32) + rng.normal(0, 1.2, (SIDE, SIDE)).astype(np.float32)
        for col, row in rng.uniform(5, SIDE - 5, (4000, 2)):
            cv2.circle(view, (int(col * 8), int(row * 8)), int(rng.uniform(8, 14)), 60.0, -1, cv2.LINE_AA, 3)
        views.append(view)
    assert smear([np.clip(np.rint(view), 0, 255).astype(np.uint8) for view in views]) is None
    printed = [np.clip(np.rint(view + ridges), 0, 255).astype(np.uint8) for view in views]
    assert _sure_smear(printed) is None
    found = smear(printed)
    assert found is not None
    assert np.hypot(found.x - 400, found.y - 430) < 50


def test_a_grain_of_dust_on_bare_paper_is_no_smear() -> None:
    def scanned(seed: int) -> NDArray[np.uint8]:
        rng = np.random.default_rng(seed)
        view = np.full((600, 480), 230, np.uint8)
        for _ in range(220):
            points = rng.uniform(0, 1, 2) * (480, 520) + np.cumsum(rng.normal(0, 9, (12, 2)), axis=0)
            cv2.polylines(view, [np.int32(points * 8)], False, int(rng.integers(30, 150)), 2, cv2.LINE_AA, 3)
        noisy = view + rng.normal(0, 1.2, view.shape)
        cv2.circle(noisy, (446, 566), 2, 60.0, -1, cv2.LINE_AA)
        return np.clip(noisy, 0, 255).astype(np.uint8)

    assert smear([scanned(seed) for seed in range(8)]) is None


def test_a_ruled_sheet_is_no_smear() -> None:
    views = [_drawn(30 + index)[:, :SIDE] for index in range(4)]
    for index, view in enumerate(views):
        rows = np.arange(SIDE)[:, None] + 0.01 * index * np.arange(SIDE)[None] + 5 * index  # laid a little askew
        view[np.mod(rows, 12) < 1] *= 0.8
    assert smear([view.astype(np.uint8) for view in views]) is None


def test_sides_that_lift_in_every_scan_are_no_smear() -> None:
    rng = np.random.default_rng(16)
    x, y = np.meshgrid(np.arange(SIDE), np.arange(SIDE))
    depth = np.minimum(np.minimum(x, SIDE - 1 - x), np.minimum(y, SIDE - 1 - y))
    lift = 1 - 0.3 * np.clip(1 - depth / 30, 0, 1) ** 2  # of light, toward all four sides
    views = [_drawn(40 + index)[:, :SIDE] * lift + rng.normal(0, 1.2, lift.shape) for index in range(6)]
    assert smear([np.clip(np.rint(view), 0, 255).astype(np.uint8) for view in views]) is None


def test_a_stretch_goes_on_over_a_long_way_and_neither_a_wave_nor_a_jump_is_one() -> None:
    rows = np.arange(40.0, 1200, 20)
    rough = 0.05 * np.cos(rows)
    wave = 1.0 * np.sin(2 * np.pi * rows / 700)
    assert _sure_slope(rows, 0.01 * rows + rough) == pytest.approx(0.01, abs=5e-4)
    assert _sure_slope(rows, 0.01 * rows + wave) == pytest.approx(0.01, abs=0.003)
    assert abs(_sure_slope(rows, wave + rough)) < 0.003
    assert not abs(_sure_slope(rows, np.where(rows > 600, 6.0, 0.0) + rough)) > 0.001  # or unknown
    beside = np.concatenate([np.linspace(0, 180, 8), np.linspace(700, 960, 40)])  # 1 %, most of it in a wave
    waved = np.where(beside < 500, 9.6 - 0.012 * beside, 0.0029 * (960 - beside))
    assert np.isnan(_sure_slope(beside, waved + np.tile(rough, 2)[:48]))


def test_a_few_patches_of_a_corner_tell_no_stretch() -> None:
    at = np.array([10.0, 20, 30, 60, 70, 80, 85, 90])
    noise = np.array([0.3, -0.2, 0.1, -0.3, 0.2, -0.1, 0.3, -0.2])
    assert np.isnan(_sure_slope(at, noise))
    heaps = np.repeat([0.0, 300.0], 4)  # no two patches lie at a distance that tells a slope
    assert _jump(heaps + np.arange(8) % 4, np.repeat([0.0, 5.0], 4)) is None
    far = np.linspace(0, 400, 60)
    assert _sure_slope(far, 0.01 * far + np.tile(noise, 8)[:60]) == pytest.approx(0.01, abs=0.001)


@pytest.mark.parametrize("shared", [28, 18])
@pytest.mark.parametrize("turned", [False, True])
def test_a_strip_too_narrow_for_a_link_is_found(turned: bool, shared: int) -> None:
    sheet = _drawn(50)
    a, b = sheet[:600, :SIDE], sheet[9:609, SIDE - shared : 2 * SIDE - shared - 200]
    looks = [_look(a, 1), _look(np.rot90(b, 2) if turned else b, 2)]
    assert thin_shared(looks[0], looks[1]) == pytest.approx(shared, abs=1)
    assert thin_shared(looks[0], _look(_drawn(51)[:600, :SIDE], 3)) is None


def test_a_ruled_line_laid_down_a_little_askew_is_no_streak() -> None:
    rows, cols = np.mgrid[0:SIDE, 0:400]
    for turn in (0.0004, 0.0008):  # rad: a quarter and half a px over the scan
        line = np.exp(-(((cols - 200.3 - turn * rows) / 1.1) ** 2))
        view = 225 - 150 * line + np.random.default_rng(17).normal(0, 1.2, line.shape)
        assert streaks(view.astype(np.float32), 1) == []


@pytest.mark.parametrize("noise", [1.5, 9.0])
def test_the_dots_of_a_printed_screen_are_no_noise(noise: float) -> None:
    y, x = np.mgrid[0:SIDE, 0:SIDE] / 2.73  # 55 lines an inch at 150 dpi
    turned = [np.cos(2 * np.pi * (np.cos(a) * x + np.sin(a) * y)) for a in (0.4, 0.4 + np.pi / 2)]
    tones = cv2.resize(
        np.random.default_rng(19).uniform(-0.6, 0.6, (5, 5)), (SIDE, SIDE), interpolation=cv2.INTER_CUBIC
    )
    dots = 142 + 82 * np.clip(0.7 * (2 * tones - turned[0] - turned[1]), -1, 1)
    dots = cv2.GaussianBlur(dots, (0, 0), 0.6)  # as soft as optics leave them
    noisy = dots + np.random.default_rng(20).normal(0, noise, dots.shape)
    look = look_at(_Windows(np.clip(np.rint(noisy), 0, 255).astype(np.uint8)[..., None]), transfer_of(None))
    assert (noise_finding(look.noise, [look.noise]) is None) == (noise < 2)


def test_a_printed_screen_that_both_scans_show_is_no_moire() -> None:
    y, x = np.mgrid[0:SIDE, 0 : 2 * SIDE - SHARED]

    def screened(aside: float) -> Floats:
        wave = 10 * np.cos(2 * np.pi * (0.42 * (x + aside) + 0.08 * (y + aside)))
        return np.asarray(_drawn(21) - wave, np.float32)

    scans = [screened(0.0)[:, :SIDE], screened(0.5)[:, SIDE - SHARED :]]  # b lies half a px beside a
    motion = B_FROM_A + np.array([[0, 0, -0.5], [0, 0, -0.5], [0, 0, 0]])
    found = difference_of([_look(scans[0], 1), _look(scans[1], 2)], (0, 1), motion)
    assert found is not None
    assert found.own_a.stripes is None and found.own_b.stripes is None
    plain = _drawn(21)[:, SIDE - SHARED :]
    alone = difference_of([_look(scans[0], 1), _look(plain, 2)], (0, 1), motion)
    assert alone is not None and alone.own_a.stripes is not None


def test_a_screen_along_the_rows_laid_on_itself_a_little_aside_is_no_band() -> None:
    y, x = np.mgrid[0:SIDE, 0 : 2 * SIDE - SHARED]

    def screened(down: float) -> Floats:
        wave = 40 * np.cos(2 * np.pi * (y + down) / 3.7)
        return np.asarray(_drawn(22) * 0.5 + 60 + np.where(x % 500 < 430, wave, 0), np.float32)

    plain = _drawn(22) * 0.5 + 60
    banded = plain * (1 + 0.03 * np.cos(2 * np.pi * y / 3.7))
    for first, told in ((screened(0.7), False), (banded, True)):
        other = screened(0.0) if not told else plain
        looks = [_look(first[:, :SIDE], 1), _look(other[:, SIDE - SHARED :], 2)]
        found = difference_of(looks, (0, 1), B_FROM_A)
        assert found is not None
        assert (found.own_a.stripes is not None) == told
        assert found.own_b.stripes is None


def test_the_fine_dots_of_a_printed_screen_are_no_dust() -> None:
    """The second scan lies half a px beside: what is finest is weaker in it once it is laid on the first."""
    y, x = np.mgrid[0:SIDE, 0 : 2 * SIDE - SHARED]

    def screened(aside: float) -> Floats:
        waves = (np.cos(2 * np.pi * ((x + aside) * u + (y + aside) * v)) for u, v in ((0.36, 0.2), (-0.2, 0.36)))
        tone = 0.5 + 0.4 * np.sin(x / 90) * np.sin(y / 70)
        return np.asarray(230 - 150 * np.clip(tone + sum(waves) - 0.8, 0, 1), np.float32)

    scans = [screened(0.0)[:, :SIDE], screened(0.5)[:, SIDE - SHARED :]]
    motion = B_FROM_A + np.array([[0, 0, -0.5], [0, 0, -0.5], [0, 0, 0]])
    found = difference_of([_look(scans[0], 1), _look(scans[1], 2)], (0, 1), motion)
    assert found is not None
    assert max(found.own_a.specks, found.own_b.specks) < LEAST_DUST


def test_fine_dots_that_a_lifted_side_shows_no_more_are_no_dust_of_the_neighbor() -> None:
    y, x = np.mgrid[0:SIDE, 0 : 2 * SIDE - SHARED]
    waves = (np.cos(2 * np.pi * (x * u + y * v)) for u, v in ((0.24, 0.13), (-0.13, 0.24)))
    sheet = np.asarray(235 - 45 * np.clip(sum(waves) - 1.0, 0, 1), np.float32)
    second = sheet[:, SIDE - SHARED :].copy()
    second[:, :24] = cv2.GaussianBlur(second, (0, 0), 2.2)[:, :24]
    looks = [_look(sheet[:, :SIDE], 1), _look(second, 2)]
    found = difference_of(looks, (0, 1), B_FROM_A)
    assert found is not None and found.own_a.specks < LEAST_DUST
    dusty = sheet[:, :SIDE].copy()
    for row in range(40, SIDE - 40, 60):
        dusty[row : row + 4, 560:564] = 60
    seen = difference_of([_look(dusty, 1), looks[1]], (0, 1), B_FROM_A)
    assert seen is not None and seen.own_a.specks >= LEAST_DUST


def test_a_border_laid_down_quite_along_the_bed_is_no_streak() -> None:
    view = np.full((12 * 40, SIDE), 225, np.float32) + np.random.default_rng(18).normal(0, 1.2, (12 * 40, SIDE))
    view[:, 205:] = 209  # another panel of the page
    view[:, 200:206] = (162, 70, 25, 24, 25, 57)  # drawn .6 mm wide and scanned at 150 dpi
    assert streaks(view.astype(np.float32), 1) == stuck(view.astype(np.float32), 1) == []


@pytest.mark.parametrize("reduction", [1, 2])
@pytest.mark.parametrize("value", [25, 120, 215])
def test_a_dead_cell_is_told_among_tones_darker_and_lighter_than_it(reduction: int, value: int) -> None:
    rng = np.random.default_rng(value)
    tones = cv2.resize(rng.uniform(40, 210, (14, 8)).astype(np.float32), (600, 720), interpolation=cv2.INTER_CUBIC)
    tones += rng.normal(0, 1.5, tones.shape)

    def seen(gray: Floats) -> list[int]:
        view = cv2.resize(gray, (600 // reduction, 720 // reduction), interpolation=cv2.INTER_AREA)
        return [one.at * reduction for one in stuck(view, reduction)]

    assert seen(tones) == []
    tones[:, 300] = value
    assert seen(tones) == [300]


def test_a_thick_line_drawn_nearly_along_the_bed_is_no_dead_cell() -> None:
    """One column always lies within it; the columns beside that show the line too."""
    middle = 100 + 1.8 * np.arange(560)[:, None] / 560
    ink = np.clip(1.6 - np.abs(np.arange(200)[None] - middle), 0, 1)
    gray = (240 - 200 * ink + np.random.default_rng(1).normal(0, 1, ink.shape)).astype(np.float32)
    assert stuck(gray, 1) == []


def test_a_median_of_few_scattered_cells_is_doubtful() -> None:
    rng = np.random.default_rng(17)
    table = np.full((3, 400), np.nan, np.float32)
    table[0], table[1, :16] = rng.normal(0, 0.1, 400), rng.normal(0, 0.1, 16)
    middle, doubt = _medians(table)
    assert doubt[:2] == pytest.approx([0.01, 0.05], rel=0.5)  # sd over the root of a quarter of the cells
    assert abs(middle[0]) < 2 * doubt[0] and np.isnan(middle[2]) and np.isnan(doubt[2])


def test_a_lifted_side_of_a_neighbor_does_not_look_like_one_of_its_own() -> None:
    """The neighbor is dark along its right side, and of what both show far from the top only that is calm paper."""
    light = np.full((100, 140, 3), 0.5, np.float32)
    own = Glance((200, 280), 2, np.zeros((100, 140), np.uint8), light, 2.0)
    loss = np.zeros((100, 140), np.float32)
    loss[:, 132:] = -0.1  # beside a darker one it looks lighter
    usable = np.ones((100, 140), bool)
    usable[6:, :132] = False
    found = _side_loss("top", loss, usable, own)
    assert found is not None and abs(found.loss) < 0.005
    loss[:4] += 0.08
    found = _side_loss("top", loss, usable, own)
    assert found is not None and found.sure > 0.06


def test_a_line_drawn_along_a_side_is_no_lift() -> None:
    own = Glance((200, 280), 2, np.zeros((100, 140), np.uint8), np.full((100, 140, 3), 0.5, np.float32), 2.0)
    lines = np.zeros((100, 140), np.float32)
    lines[[0, 5]] = 0.07  # of ruled paper, which do not quite meet
    found = _side_loss("top", lines, np.ones((100, 140), bool), own)
    assert found is not None and found.sure == found.reach == 0
    lines[:4] = 0.07
    found = _side_loss("top", lines, np.ones((100, 140), bool), own)
    assert found is not None and found.sure > 0.06 and found.reach == 8


def test_one_odd_piece_does_not_move_the_others() -> None:
    def pair(a: int, b: int) -> Comparison:
        odd = 4 in (a, b)
        gain = np.full(3, 0.3 if a == 4 else -0.3 if b == 4 else 0.0) * (1 + 0.4 * odd * ((a + b) % 3))
        return Comparison(a, b, gain, (), (), 0.2, 50.0, 0.2 if odd else 0.006)

    sides = [(0, 1), (1, 2), (3, 4), (4, 5), (0, 3), (1, 4), (2, 5)]
    comparisons = [pair(*side) for side in sides]
    assert suspects(comparisons) == {4}
    solved = gains(6, comparisons)
    assert np.abs(solved[[0, 1, 2, 3, 5]]).max() < 0.01
    assert solved[4].mean() > 0.25
    assert suspects([pair(0, 1), pair(1, 2), pair(0, 2)]) == frozenset()


def test_light_is_told_beside_what_it_is_known_beside() -> None:
    def pair(a: int, b: int, light: float) -> Comparison:
        return Comparison(a, b, np.full(3, light), (), (), 0.2, 50.0, 0.006)

    painted = [pair(0, 1, 0.0), pair(1, 2, 0.02), pair(3, 4, -0.6), Comparison(2, 3, None, (), (), 0.2, 50.0)]
    assert compared_parts(6, painted) == [[0, 1, 2], [3, 4], [5]]
    solved = gains(6, painted)
    assert np.abs(solved[:3]).max() < 0.03 and solved[4, 0] == pytest.approx(0.3)
    assert np.abs(solved[5]).max() == 0


def test_a_gray_scan_tells_light_by_what_is_neutral() -> None:
    """Gray made by weights of the stored codes, as scanners do, makes saturated colors as much darker as it likes."""
    codes = np.array([[220, 216, 205], [40, 60, 200], [210, 30, 40], [40, 60, 200]])
    page = np.repeat(np.repeat(codes.reshape(1, 4, 3), 100, axis=0), 35, axis=1)
    gray = np.repeat((page @ [0.3, 0.59, 0.11])[..., None], 3, axis=2)
    looks = []
    for codes in (page, gray):
        light = (codes / 255.0).astype(np.float32) ** 2.2
        looks.append(Glance((200, 280), 2, np.zeros((100, 140), np.uint8), light, 2.0))
    gain = compare(looks, (0, 1), np.eye(3)).log_gain
    assert gain is not None and np.abs(gain).max() < 0.03


def test_a_dark_scan_of_a_print_that_shows_no_paper_is_told_by_what_is_drawn() -> None:
    rng = np.random.default_rng(4)
    screen = rng.uniform(0.1, 0.6, (100, 140, 1)).astype(np.float32).repeat(3, axis=2)

    def scan(gain: float, scattered: float) -> Glance:
        strayed = np.exp(rng.normal(0, scattered, screen.shape)).astype(np.float32)
        return Glance((200, 280), 2, np.zeros((100, 140), np.uint8), screen * strayed * np.float32(gain), 2.0)

    told = compare([scan(1.0, 0.1), scan(0.55, 0.1)], (0, 1), np.eye(3))
    assert told.log_gain is not None and told.log_gain == pytest.approx(np.full(3, -np.log(0.55)), abs=0.03)
    assert not told.paper and suspects([told] * 4) == frozenset()
    assert compare([scan(1.0, 2.0), scan(0.55, 2.0)], (0, 1), np.eye(3)).log_gain is None  # too scattered to tell


@pytest.mark.parametrize(
    ("board", "told"), [(0.024, True), (0.002, False)]
)  # black board; ink, of which flare tells most
def test_light_is_compared_on_a_sheet_that_is_dark_all_over(board: float, told: bool) -> None:
    def scan(gain: float) -> Glance:
        return Glance(
            (200, 280), 2, np.zeros((100, 140), np.uint8), np.full((100, 140, 3), board * gain, np.float32), 2.0
        )

    gain = compare([scan(1.0), scan(0.6)], (0, 1), np.eye(3)).log_gain
    assert (gain is not None) == told
    assert gain is None or gain == pytest.approx(np.full(3, -np.log(0.6)), abs=0.01)


def test_a_line_of_the_sensor_is_told_among_rough_strokes_that_end_at_it() -> None:
    gray = np.full((12 * 40, SIDE), 230.0, np.float32)
    for segment in range(12):
        side = slice(205, 215) if segment % 2 else slice(190, 200)  # now on one side of column 202 and now on the other
        gray[40 * segment : 40 * segment + 40, side] = 150
    assert streaks(gray, 1) == []
    gray[:, 202] = 20
    assert [found.at for found in streaks(gray, 1)] == [202]
    gray[:, 203:] -= 40  # the edge of a sheet on a darker lid
    assert streaks(gray, 1) == []


def test_specks_stand_alone_in_the_grain_of_paper() -> None:
    rng = np.random.default_rng(15)
    grain = cv2.GaussianBlur(rng.normal(0, 9, (SIDE, SIDE)).astype(np.float32), (0, 0), 1.2) + 225
    depth = speck_depth(grain, levels=(2.5, 6.0))
    assert not depth.any()
    places = rng.integers(20, SIDE - 20, (30, 2))
    for x, y in places:
        cv2.circle(grain, (int(x), int(y)), 1, 70.0, -1)
    found = speck_depth(grain)
    assert sum(found[y, x] > 100 for x, y in places) >= 27


def test_few_patches_that_agree_tell_a_jump() -> None:
    rows = np.array([60.0, 150, 180, 210, 240, 270, 420, 450, 510])
    shifts = np.where(rows > 300, -1.7, 3.1) + 0.05 * np.cos(rows)
    place, height = _jump(rows, shifts) or (0.0, 0.0)
    assert 270 < place < 420 and height == pytest.approx(-4.8, abs=0.15)
    assert _jump(rows[:-1], shifts[:-1]) is None  # two agree by chance


def test_patches_that_took_a_motif_for_its_next_one_hide_no_jump() -> None:
    rows = np.arange(60.0, 940, 20)
    shifts = 0.004 * (rows - 500) + np.where(rows > 500, -2.6, 2.6) + 0.1 * np.cos(rows)
    shifts[-6:-1] = (-7.3, -5.1, -5.9, -6.8, -6.2)  # at the end of an overlap
    place, height = _jump(rows, shifts) or (0.0, 0.0)
    assert (500 <= place <= 520, round(height)) == (True, -5)
    assert _jump(rows, 0.004 * (rows - 500) + np.where(np.abs(shifts) > 5, 0.0, 0.1 * np.cos(rows))) is None


def test_a_head_that_goes_unevenly_hides_no_jump_and_is_none() -> None:
    rows = np.arange(40.0, 940, 25)
    wave = 1.1 * np.sin(2 * np.pi * rows / 560) + 0.05 * np.cos(rows)
    place, height = _jump(rows, wave + np.where(rows > 455, 5.4, 0.0)) or (0.0, 0.0)
    assert 440 <= place <= 465 and height == pytest.approx(5.4, abs=1.5)
    for length in (300, 560, 900, 1700):
        assert _jump(rows, 3 * np.sin(2 * np.pi * rows / length) + 0.05 * np.cos(rows)) is None


def test_a_wave_seen_by_two_scans_one_of_them_turned_by_half_is_no_jump() -> None:
    """As patches of two drawn scans with a wave of 120 mm showed it."""
    seen: dict[int, tuple[float, ...]] = {
        34: (-0.04, 0.04),
        64: (0.13, 0.13),
        94: (0.46, 0.38),
        124: (0.59, 0.53),
        154: (0.71, 0.69),
        184: (0.81, 0.73),
        214: (0.78, 0.72),
        244: (0.74, 0.7),
        274: (0.63,),
        304: (-0.0,),
        334: (-0.02,),
        364: (-0.49, -0.67),
        394: (-0.89, -0.96),
        424: (-1.06,),
        454: (-1.33, -1.93),
        484: (-1.47,),
        544: (-1.51, -1.48),
        574: (-1.34, -1.37),
        604: (-0.98, -0.98),
        634: (-0.83, -0.84),
        664: (-0.26,),
        694: (0.02, 0.12),
        724: (0.18,),
        754: (0.7,),
        784: (0.71, 0.69),
        814: (0.77,),
        844: (0.82,),
        874: (0.75,),
        904: (0.62,),
        934: (0.2,),
        964: (0.11,),
    }
    rows = np.array([row for row, several in seen.items() for _ in several], float)
    shifts = np.array([shift for several in seen.values() for shift in several])
    assert _jump(rows, shifts) is None
    place, height = _jump(rows, shifts + np.where(rows > 590, 4.0, 0.0)) or (0.0, 0.0)
    assert abs(place - 590) < 20 and height == pytest.approx(4, abs=1)


def test_patches_that_lie_now_on_one_dot_of_a_screen_and_now_on_the_next_are_no_jump() -> None:
    rows = np.arange(36.0, 1200, 21)
    shifts = np.where((rows > 190) & (rows < 610), -2.0, 0.0) + 0.05 * np.cos(rows)
    shifts[(rows > 500) & (rows < 590)] -= 2
    assert _jump(rows, shifts) is None
    at_one_row = np.array([60.0] * 9 + [200.0] * 3)  # whose patches differ among themselves
    assert _jump(at_one_row, np.array([0.0] * 5 + [5.0] * 7)) is None


def test_light_that_differs_from_cell_to_cell_is_a_screen_and_from_place_to_place_a_lamp() -> None:
    """How far two scans of one paper differ over it: a lamp's 12 % from left to right, or a cell's 2 % to the next."""
    rng = np.random.default_rng(5)
    paper = np.full((60, 60, 3), 0.7, np.float32)
    side = np.linspace(-0.06, 0.06, 60, dtype=np.float32)[None, :, None]
    scattered = rng.normal(0, 0.02, paper.shape).astype(np.float32)
    steps = np.where((np.arange(60) // 2 % 2 == 0)[:, None, None], np.exp(scattered), np.exp(-scattered))

    def discord(factor: NDArray[np.float32]) -> float:
        looks = [Glance((600, 600), 2, np.zeros((300, 300), np.uint8), paper * f, 10) for f in (np.float32(1), factor)]
        return compare(looks, (0, 1), np.eye(3)).discord

    assert discord(np.exp(side)) == pytest.approx(0.044, rel=0.2)  # 1.4826 times half of a quarter's distance of 12 %
    assert discord(steps.astype(np.float32)) < 0.012


def test_patches_along_a_straight_line_tell_nothing_of_the_way_along_it() -> None:
    sheet = np.full((SIDE, 2 * SIDE - SHARED), 225, np.float32)
    sheet[:, SIDE - SHARED // 2 : SIDE - SHARED // 2 + 4] = 60
    ruled = [_look(sheet[:, :SIDE], 1), _look(sheet[:, SIDE - SHARED :], 2)]
    assert len(course_of(ruled, (0, 1), B_FROM_A, 1.0).slips) == 0
    sheet[100:-100:90, SIDE - SHARED + 30 : SIDE - 30] = 60  # crossings are found again where they are
    crossed = [_look(sheet[:, :SIDE], 1), _look(sheet[:, SIDE - SHARED :], 2)]
    slips = course_of(crossed, (0, 1), B_FROM_A, 1.0).slips
    assert len(slips) > 4 and np.abs(slips[:, 2]).max() < 0.5
