"""I check each measure of a scan's quality against pictures whose noise, blur, ends and history are known."""

from __future__ import annotations

import io
from dataclasses import replace
from itertools import starmap
from pathlib import Path

import cv2
import numpy as np
import pytest
import synthetic_captures as captures
from made_evidence import look
from PIL import Image
from scipy import ndimage

from stitchbed.imaging.box import Box
from stitchbed.imaging.gray import gray_of
from stitchbed.imaging.transfer import transfer_of
from stitchbed.inspection import quality
from stitchbed.inspection.enlargement import enlargement_of
from stitchbed.inspection.glass import grains
from stitchbed.inspection.looks import look_at
from stitchbed.reading.formats import open_windows


def _rng(seed: int) -> np.random.Generator:
    return np.random.default_rng([seed, 5])


@pytest.fixture(scope="module")
def piece() -> captures.Piece:
    return captures.good_set(7)[0]


def _greens(pixels: np.ndarray) -> list[np.ndarray]:
    rows, cols = (range(0, side - 256, 240) for side in pixels.shape[:2])
    return [pixels[r : r + 256, c : c + 256, 1].astype(np.float32) for r in rows for c in cols]


# ------------------------------------------------------------------ noise


@pytest.mark.parametrize("sigma", [0.8, 2.0, 6.0])
def test_noise_is_measured_beside_drawing(sigma: float) -> None:
    paper = np.full((200, 200), 210, np.float32)
    paper[90:96, 20:180] = 40  # a line through a calm window
    noisy = np.rint(paper + sigma * _rng(1).standard_normal(paper.shape)).astype(np.float32)
    # rounding adds 1/12 in the square; the estimator's own spread over 40,000 px is below 1 % (Immerkaer 1996)
    true = np.sqrt(sigma**2 + 1 / 12)
    assert quality.noise_level(noisy) == pytest.approx(true, rel=0.06)


@pytest.mark.parametrize("period", [1.9, 2.7, 3.4])
def test_a_printed_screen_does_not_pass_for_noise(period: float) -> None:
    rng = np.random.default_rng(int(10 * period))
    y, x = np.mgrid[:24, :24].astype(np.float32)
    squares = []
    for turn in np.radians(rng.uniform(10, 80, 40)):
        u, v = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
        waves = np.cos(2 * np.pi * u / period) + np.cos(2 * np.pi * v / period)
        squares.append(np.asarray(150 + 30 * np.clip(waves, -1, 1) + rng.normal(0, 1.5, x.shape), np.float32))
    assert np.percentile([quality.noise_level(one) for one in squares], 25) > 6
    noise, sure = quality.calm_noise(squares)
    assert 1.2 < noise < 2.6 and sure < noise - 0.2


@pytest.mark.parametrize("true", [1.0, 6.0])
def test_noise_of_calm_windows_is_as_large_as_it_is(true: float) -> None:
    rng = np.random.default_rng(4)
    windows = [np.asarray(rng.normal(200, true, (24, 24)), np.float32) for _ in range(60)]
    # the lower quarter of estimates that scatter by some 5 %
    assert quality.calm_noise(windows) == (pytest.approx(true, rel=0.15), pytest.approx(true, rel=0.17))


def test_white_noise_has_its_variance_in_every_band() -> None:
    windows = [3 * _rng(seed).standard_normal((96, 96)).astype(np.float32) for seed in range(12)]
    for axis in (0, 1):
        bands = quality.noise_bands(windows, axis)
        # the lowest band loses to the removal of slow light; the others are s squared within the spread of 12 windows
        assert np.allclose(bands[2:], 9, rtol=0.2)


# ------------------------------------------------------------------ sharpness


@pytest.mark.parametrize("sigma", [0.5, 1.0, 2.0, 3.0])
def test_blur_of_a_step(sigma: float) -> None:
    rows, cols = np.mgrid[:256, :256]
    distance = (cols - 128) * np.cos(0.1) + (rows - 128) * np.sin(0.1)
    step = 200 - 150 * ndimage.gaussian_filter((distance > 0).astype(np.float64), np.hypot(sigma, 0))
    measured = quality.edge_ratio((step + 1.0 * _rng(2).standard_normal(step.shape)).astype(np.float32), 1.0)
    assert measured is not None
    # theory: slopes after blurs a and b are as sqrt(s2 + b2) to sqrt(s2 + a2); what is left is the choice of the
    # steepest
    # pixels, up to 0.15 px at small blur
    assert quality.blur_of(measured[0]) == pytest.approx(sigma, abs=0.15)


def test_blur_orders_two_scans_of_one_place() -> None:
    sharp, soft = (captures.good_set(3, 1, 1, {0: captures.Scanner(blur=blur)})[0].pixels for blur in (0.45, 1.3))
    box = Box(300, 200, 256, 256)
    ratios = [quality.edge_ratio(gray_of(pixels[box.slices]), 1.0) for pixels in (sharp, soft)]
    assert ratios[0] is not None
    assert ratios[1] is not None
    assert ratios[0][0] > 1.15 * ratios[1][0]


def test_bare_paper_has_no_edges_to_judge() -> None:
    paper = (200 + 2 * _rng(3).standard_normal((256, 256))).astype(np.float32)
    assert quality.edge_ratio(paper, 2.0) is None
    paper[6:] = 0  # a scan that broke off has no noise, and no slope either
    measured = quality.edge_ratio(paper, 0.0)
    assert measured is not None and measured[0] > 1


# ------------------------------------------------------------------ ends


@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
def test_cut_ends_are_told_from_ends_that_are_reached(dtype: str) -> None:
    top = np.iinfo(dtype).max
    light = _rng(4).normal(0.93, 0.02, (256, 256, 3))
    whole = np.rint(np.clip(light, 0, 1) * top).astype(dtype)
    assert quality.clipped(whole)[1] == 0  # a few pixels reach white, as they may
    cut = np.rint(np.clip(light + 0.07, 0, 1) * top).astype(dtype)
    share = float((light + 0.07 >= 1 - 0.5 / top).mean())
    assert quality.clipped(cut)[1] == pytest.approx(share, abs=0.12)
    dark = np.rint(np.clip(light - 0.95, 0, 1) * top).astype(dtype)
    assert quality.clipped(dark)[0] > 0.5
    assert quality.clipped(dark)[1] == 0


def test_white_to_which_sharpening_lifts_paper_beside_lines_is_not_cut_off() -> None:
    drawn = 238 + _rng(4).normal(0, 1.5, (256, 256))
    for col in range(8, 256, 12):
        cv2.line(drawn, (col, 0), (col - 6, 255), 40.0, 2, cv2.LINE_AA)
    sharp = drawn + 1.2 * (drawn - cv2.GaussianBlur(drawn, (0, 0), 1.2))
    for gain, least, most in ((1.0, 0, 0), (1.1, 0.2, 1)):
        white = np.rint(np.clip(gain * sharp, 0, 255)).astype(np.uint8)
        assert (white == 255).mean() > 0.05
        share = quality.clipped(white[..., None])[1]
        assert least <= share <= most
    assert quality.clipped_each(np.zeros((0, 8, 8, 1), np.uint8)).shape == (0, 2)


# ------------------------------------------------------------------ history


def test_a_native_scan_shows_no_trace(piece: captures.Piece) -> None:
    windows = _greens(piece.pixels)
    # over 12 windows the strongest of 500 chance peaks is about 1.6; 2.4 is what counts as a trace
    assert quality.resampling_traces(windows)[0].strength < 2.2
    assert quality.block_trace(windows).strength < 4.0


@pytest.mark.parametrize("how", [cv2.INTER_LINEAR, cv2.INTER_CUBIC, cv2.INTER_LANCZOS4, cv2.INTER_NEAREST])
@pytest.mark.parametrize(("factor", "period"), [(1.25, 0.2), (4 / 3, 0.25), (1.5, 1 / 3), (2.0, 0.5), (3.0, 1 / 3)])
def test_enlarged_scans_show_the_period_of_their_factor(
    piece: captures.Piece, factor: float, period: float, how: int
) -> None:
    # Gallagher 2005: the period in pixels is the factor, so the frequency is 1 / factor, folded into 0 .. 0.5
    enlarged = captures._stretched(piece, factor, how)
    traces = quality.resampling_traces(_greens(enlarged.pixels))
    near = [trace.strength for trace in traces if abs(trace.frequency - period) < 0.006]
    least = 1.8 if how == cv2.INTER_LANCZOS4 and factor in (2.0, 3.0) else 2.2  # its longer filter hides more
    assert max(near, default=0) > least


@pytest.mark.parametrize("soft", [0.0, 1.2])  # px; on soft drawings twice the factor leaves as little as the factor
@pytest.mark.parametrize("factor", [4 / 3, 1.5, 2.0, 3.0])
def test_the_factor_is_named(tmp_path: Path, piece: captures.Piece, factor: float, soft: float) -> None:
    if soft:
        piece = replace(piece, pixels=cv2.GaussianBlur(piece.pixels, (0, 0), soft))
    (path,) = captures.write_pieces(tmp_path, [captures._stretched(piece, factor, cv2.INTER_CUBIC)])
    with open_windows(path) as windows:
        look = look_at(windows, transfer_of(None))
    assert enlargement_of(look) == pytest.approx(factor, rel=0.01)


@pytest.mark.parametrize("degrees", [1.0, 5.0])
def test_straightened_scans_are_not_called_enlarged(tmp_path: Path, piece: captures.Piece, degrees: float) -> None:
    matrix = cv2.getRotationMatrix2D((380, 500), degrees, 1)
    turned = cv2.warpAffine(piece.pixels, matrix, (760, 1000), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    (path,) = captures.write_pieces(tmp_path, [captures.Piece("turned", turned)])
    with open_windows(path) as windows:
        assert enlargement_of(look_at(windows, transfer_of(None))) is None


@pytest.mark.parametrize("level", [60, 75, 85, 90])
def test_blocks_of_lossy_compression_are_seen(piece: captures.Piece, level: int) -> None:
    held = io.BytesIO()
    Image.fromarray(piece.pixels).save(held, "JPEG", quality=level)
    pixels = np.asarray(Image.open(held).convert("RGB"))
    assert quality.block_trace(_greens(pixels)[:12]).strength > 5
    eighths = [t.strength for t in quality.resampling_traces(_greens(pixels)) if abs(t.frequency - 0.375) < 0.006]
    assert max(eighths, default=0) > 2


def test_a_period_along_one_axis_is_that_of_rows_of_letters_unless_it_is_stronger_by_far() -> None:
    def told(*strengths: tuple[int, float, float]) -> float | None:
        return enlargement_of(replace(look(), windows=10.7, traces=tuple(starmap(quality.Trace, strengths))))

    rows = (0, 0.209, 2.12)
    assert told((0, 0.5, 2.51), rows) is None
    assert told((0, 0.5, 2.51), (1, 0.5, 1.9), rows) == 2.0
    assert told((0, 0.5, 6.0), rows) == 2.0


def test_the_period_of_a_printed_screen_drifts_against_the_pixels_and_that_of_an_enlargement_does_not() -> None:
    """A screen of 2.49 px laid down askew by .2 degrees: to one window the period of an enlargement by 5/3."""
    y, x = np.mgrid[:1000, :1000]
    noise = _rng(8).standard_normal((600, 600)).astype(np.float32)
    turn = np.deg2rad(0.2)
    screen = 128 + 60 * np.cos(2 * np.pi * 0.2008 * (x * np.cos(turn) + y * np.sin(turn)))
    enlarged = cv2.resize(cv2.GaussianBlur(128 + 40 * noise, (0, 0), 0.6), (1000, 1000), interpolation=cv2.INTER_LINEAR)
    for pixels, least, most in ((screen + _rng(9).standard_normal(screen.shape), 0.0, 0.6), (enlarged, 0.8, 1.0)):
        starts = [(row, col) for row in range(0, 744, 240) for col in range(0, 744, 240)]
        windows = [pixels[row : row + 256, col : col + 256].astype(np.float32) for row, col in starts]
        near = [t for t in quality.resampling_traces(windows, starts) if abs(t.frequency - 0.4) < quality.NEAR]
        assert near and max(t.strength for t in near) > 4
        assert least <= max(t.locked for t in near) <= most


@pytest.mark.parametrize(("locked", "factor"), [(0.95, 5 / 3), (0.5, None)])
def test_only_a_period_that_keeps_step_with_the_pixels_is_made_up(locked: float, factor: float | None) -> None:
    traces = (quality.Trace(0, 0.4016, 13.7, locked), quality.Trace(1, 0.4016, 8.5, locked))
    assert enlargement_of(replace(look(), windows=10.7, traces=traces)) == factor


# ------------------------------------------------------------------ glass


def test_grains_are_found_where_they_lie_and_drawing_is_not() -> None:
    rng = _rng(6)
    places = [(200, 130), (420, 600), (610, 300)]
    views = []
    for seed in range(4):
        gray = gray_of(captures.good_set(seed, 1, 1)[0].pixels)
        for x, y in places:
            cv2.circle(gray, (x, y), 2, 60.0, -1, cv2.LINE_AA)
        views.append(gray + rng.standard_normal(gray.shape).astype(np.float32))
    found = grains(views)
    assert len(found) >= 2  # one may lie under a line in too many scans
    for grain in found:
        assert min(np.hypot(grain.x - x, grain.y - y) for x, y in places) < 2
    clean = [gray_of(captures.good_set(seed, 1, 1)[0].pixels) for seed in range(4)]
    assert grains(clean) == []
    assert grains(views[:2]) == []  # two scans cannot tell dust from drawing


def test_of_a_scan_quieter_than_its_set_a_period_on_a_printed_sheet_is_made_up() -> None:
    """All pieces show the screen, and only the enlarged one the other period, which it blurs out of step."""
    screen = [quality.Trace(axis, 0.209, 7.0, 1.0) for axis in (0, 1)]
    traces = (*screen, quality.Trace(0, 0.3349, 3.4, 0.68), quality.Trace(1, 0.3349, 2.4, 0.68))
    told = replace(look(), windows=13.5, traces=traces)
    assert enlargement_of(told) is None
    assert enlargement_of(told, quiet=True) == 1.5
    assert enlargement_of(replace(told, traces=tuple(screen)), quiet=True) is None


def test_a_weak_trace_that_is_in_step_by_chance_makes_no_paper_s_grain_an_enlargement() -> None:
    traces = ((0, 0.4016, 4.3, 0.62), (1, 0.4016, 3.8, 0.44), (0, 0.4016, 1.9, 0.78), (0, 0.283, 3.8, 1.0))
    told = replace(look(), windows=15.7, traces=tuple(starmap(quality.Trace, traces)))
    assert enlargement_of(told) is None
    strong = replace(told, traces=(quality.Trace(0, 0.4016, 4.3, 0.9), *told.traces[1:]))
    assert enlargement_of(strong) == pytest.approx(5 / 3)
