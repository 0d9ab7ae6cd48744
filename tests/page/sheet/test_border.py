"""I check that the sheet's edge and skew are found where they are, and that a drawn frame is no edge."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box
from stitchbed.imaging.transfer import to_stored, transfer_of
from stitchbed.page.page import Page, codes, linear, page_of_array
from stitchbed.page.sheet.border import BorderSettings, find_sheet, frame_of, skew
from stitchbed.page.sheet.frame import framed, framing

SHEET = (120.0, 85.0)  # mm
CANVAS = (150.0, 110.0)
PAPER = 0.86


def _scan(
    dpi: int, degrees: float, lid: float, *, shadow: bool = False, frame: bool = False
) -> tuple[Page, np.ndarray]:
    """A sheet on a lid of light `lid`, turned; and its corners px. Drawn twice as large and reduced."""
    k = dpi / MM_PER_INCH
    size = [round(side * k) for side in CANVAS]
    light = np.full((2 * size[1], 2 * size[0]), lid, np.float32)
    angle = np.radians(degrees)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    middle = np.array(CANVAS) / 2 + (1.3, -0.8)

    def corners(inset: float = 0.0) -> np.ndarray:
        x, y = SHEET[0] / 2 - inset, SHEET[1] / 2 - inset
        return np.array([[-x, -y], [x, -y], [x, y], [-x, y]]) @ turn.T + middle

    def points(mm: np.ndarray) -> list[np.ndarray]:
        return [np.rint((mm * 2 * k - 0.5) * 16).astype(np.int32)]

    if shadow:
        dark = np.zeros_like(light)
        cv2.fillPoly(dark, points(np.add(corners(), (0.8, 1.2))), 1.0, cv2.LINE_8, 4)
        light *= 1 - 0.5 * cv2.GaussianBlur(dark, (0, 0), k)
    cv2.fillPoly(light, points(corners()), PAPER, cv2.LINE_8, 4)
    if frame:
        for inset in (6.0, 7.0):
            cv2.polylines(light, points(corners(inset)), True, 0.03, round(0.8 * k), cv2.LINE_8, 4)
    small = cv2.resize(cv2.GaussianBlur(light, (0, 0), 1.2), size, interpolation=cv2.INTER_AREA)
    small *= 1 + 0.01 * np.random.default_rng(1).standard_normal(small.shape, dtype=np.float32)
    stored = to_stored(np.clip(small, 0, 1)[..., None], "uint8", transfer_of(None))
    return page_of_array(stored, dpi), corners() * k - 0.5


def _off_mm(page: Page, truth: np.ndarray, settings: BorderSettings) -> np.ndarray:
    """(4,) mm, how far each side of the crop lies inside (positive) the sheet's true side, at its worse end."""
    frame = frame_of(page, find_sheet(page), settings)
    w, h = frame.width - 1, frame.height - 1
    got = (np.array([[0, 0, 1], [w, 0, 1], [w, h, 1], [0, h, 1]]) @ frame.page_from_out.T)[:, :2]
    inside = []
    for n in range(4):
        a, b = truth[n], truth[(n + 1) % 4]
        along = (b - a) / np.hypot(*(b - a))
        normal = np.array([-along[1], along[0]])  # corners run clockwise on the screen: this points inward
        ends = [(p - a) @ normal for p in (got[n], got[(n + 1) % 4])]
        inside.append(max(ends, key=abs))
    return np.array(inside) / page.dpi * MM_PER_INCH


@pytest.mark.parametrize("dpi", [150, 300])
@pytest.mark.parametrize(
    ("degrees", "lid", "shadow", "frame"),
    [(0.7, 0.05, False, True), (-2.3, 0.65, True, True), (0.0, 0.95, True, True), (0.05, 0.3, False, False)],
)
def test_crop_lies_at_the_edge(dpi: int, degrees: float, lid: float, shadow: bool, frame: bool) -> None:
    page, truth = _scan(dpi, degrees, lid, shadow=shadow, frame=frame)
    off = _off_mm(page, truth, BorderSettings())
    # the task's own bound; and never outside by more than a pixel
    assert np.abs(off).max() <= 0.3
    assert off.min() > -MM_PER_INCH / dpi
    # .02 degrees is .04 mm over this sheet, a quarter of a pixel at 150 dpi
    assert abs(np.degrees(skew(find_sheet(page))) - degrees) < 0.02


@pytest.mark.parametrize("dpi", [150, 300])
def test_a_drawn_frame_is_no_edge(dpi: int) -> None:
    """Lid and paper alike, no shadow: nothing tells where the sheet ends, and the frame must not be taken for it."""
    page, _ = _scan(dpi, 0.0, PAPER, frame=True)
    assert [side.found for side in find_sheet(page)] == ["", "", "", ""]
    frame = frame_of(page, find_sheet(page), BorderSettings())
    assert (frame.height, frame.width) == (page.height, page.width)


def test_a_shadow_alone_tells_a_side() -> None:
    page, truth = _scan(300, 1.1, PAPER, shadow=True)
    sides = {side.name: side for side in find_sheet(page)}
    assert sides["bottom"].found == "shadow"
    middle = (truth[2] + truth[3]) / 2
    at = sides["bottom"].offset + sides["bottom"].slope * middle[0]
    assert abs(at - middle[1]) / 300 * MM_PER_INCH < 0.3


def test_a_sheet_that_fills_the_page_is_left_alone() -> None:
    page, _ = _scan(150, 0.0, PAPER)
    frame = frame_of(page, find_sheet(page), BorderSettings())
    assert not frame.resampled
    assert np.array_equal(framed(lambda box: codes(page, box).astype(np.float32), frame, page.box), page.read(page.box))


def test_a_lid_as_light_as_the_paper_is_told_by_its_tint() -> None:
    """Cream paper with a drawn blue frame on a gray lid of the same lightness: the crop must not go to the frame."""
    page, truth = _scan(150, 0.8, PAPER * 0.93, frame=True)
    light = linear(page, page.box)
    on_sheet = np.zeros(light.shape[:2], np.float32)
    cv2.fillPoly(on_sheet, [np.rint(truth * 16).astype(np.int32)], 1.0, cv2.LINE_AA, 4)
    cream = np.where(on_sheet[..., None] > 0.5, light * (1.0, 0.94, 0.80), light)
    cream = np.where((light < 0.3) & (on_sheet[..., None] > 0.5), (0.2, 0.3, 0.5), cream).astype(np.float32)
    colored = page_of_array(to_stored(cream, "uint8", page.transfer), 150)
    off = _off_mm(colored, truth, BorderSettings())
    assert np.abs(off).max() <= 0.4  # the sheet's mask here is cut at whole pixels of .17 mm


@pytest.mark.parametrize("dpi", [100, 300])
def test_what_was_filled_in_is_no_sheet(dpi: int) -> None:
    """A joined canvas: stairs of the paper's own color where no piece saw anything, a lid, a sheet with a frame."""
    page, truth = _scan(dpi, -0.6, 0.66, frame=True)
    stored = page.read(page.box).copy()
    k = dpi / MM_PER_INCH
    paper = int(np.median(stored[stored > 200]))
    for n in range(9):
        deep = round((5 + 0.9 * n) * k)
        part = slice(n * stored.shape[1] // 9, (n + 1) * stored.shape[1] // 9)
        stored[:deep, part] = paper
        stored[-deep // 2 :, part] = paper
    stored[:, : round(7 * k)] = paper
    joined = page_of_array(stored, dpi)
    sides = find_sheet(joined)
    assert [side.found for side in sides] == ["step"] * 4
    # the task's own bound; a pixel of 100 dpi is .25 mm wide
    assert np.abs(_off_mm(joined, truth, BorderSettings())).max() <= 0.3


def test_an_end_of_the_scans_is_told_from_an_edge_of_the_sheet() -> None:
    """Nothing was scanned beyond a line 4 mm inside the sheet's right side."""
    page, truth = _scan(150, 0.0, 0.3)
    stored, cover = page.read(page.box).copy(), np.full((page.height, page.width), 255, np.uint8)
    last = round(truth[1, 0] - 4 / MM_PER_INCH * 150)
    stored[:, last:], cover[:, last:] = 0, 0
    holed = replace(page_of_array(stored, 150), cover=lambda box: cover[box.slices])
    sides = {side.name: side for side in find_sheet(holed)}
    assert {name: side.found for name, side in sides.items()} == {
        "top": "step", "right": "end", "bottom": "step", "left": "step",
    }  # fmt: skip
    assert abs(sides["right"].offset - last) < 2


def test_white_that_was_cut_off_tells_nothing() -> None:
    """A clean page, white to the last pixel, with a drawn frame: one color all round, and yet nothing was filled in."""
    page, _ = _scan(150, 0.0, PAPER, frame=True)
    stored = np.where(page.read(page.box) > 180, 255, page.read(page.box)).astype(np.uint8)
    frame = frame_of(page, find_sheet(page_of_array(stored, 150)), BorderSettings())
    assert (frame.height, frame.width) == (page.height, page.width)


def test_a_painting_to_the_edge_is_not_cropped() -> None:
    """Washes, a gray horizon and a straight pole, slightly askew, over the whole page: none of it is an edge."""
    rng = np.random.default_rng(2)
    light = cv2.resize(rng.uniform(0.2, 0.8, (9, 12, 3)).astype(np.float32), (900, 650), interpolation=cv2.INTER_CUBIC)
    light[:140] = np.linspace(0.5, 0.6, 140, dtype=np.float32)[:, None, None]
    cv2.line(light, (820, 0), (850, 649), (0.15, 0.14, 0.13), 12, cv2.LINE_AA)
    page = page_of_array(to_stored(np.clip(light, 0, 1), "uint8", transfer_of(None)), 150)
    frame = frame_of(page, find_sheet(page), BorderSettings())
    assert (frame.height, frame.width) == (650, 900)
    assert not frame.resampled


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_turning_moves_pixels_and_changes_none(turn: int) -> None:
    picture = np.arange(35, dtype=np.float32).reshape(5, 7, 1)
    corners = np.array([[0, 0], [6, 0], [6, 4], [0, 4]], float)
    frame = framing(corners, 0.0, turn, 300)
    got = framed(lambda box: picture[box.slices], frame, frame.box)
    assert np.array_equal(got, np.rot90(picture, -(turn // 90)))


def test_straightening_does_not_depend_on_blocks() -> None:
    page, _ = _scan(150, 1.7, 0.05)
    frame = frame_of(page, find_sheet(page), BorderSettings())
    assert frame.resampled

    def read(box: Box) -> np.ndarray:
        return codes(page, box).astype(np.float32)

    whole = framed(read, frame, frame.box)
    part = Box(101, 203, 130, 77)
    assert np.array_equal(framed(read, frame, part), whole[part.slices])


def _on_lid(lid: tuple[int, ...], paper: tuple[int, ...], *, wash: float = 1.0) -> Page:
    """A sheet in color laid askew on a lid, 8 mm within it; `wash` : light of a field that covers all but a margin."""
    k = 150 / MM_PER_INCH
    page = np.full((round(100 * k), round(130 * k), 3), lid, np.float32)
    inner = np.array([[8, 9.5], [121.5, 8], [122.7, 91], [9.2, 92.5]])
    cv2.fillPoly(page, [np.rint(inner * k * 16).astype(np.int32)], paper, cv2.LINE_AA, 4)
    field = (inner - (65, 50)) * 0.8 + (65, 50)
    cv2.fillPoly(page, [np.rint(field * k * 16).astype(np.int32)], tuple(wash * v for v in paper), cv2.LINE_AA, 4)
    page += np.random.default_rng(2).normal(0, 1.5, page.shape)
    return page_of_array(np.clip(np.rint(page), 0, 255).astype(np.uint8), 150)


@pytest.mark.parametrize(("lid", "paper"), [((238, 238, 236), (247, 246, 243)), ((236, 237, 236), (244, 244, 240))])
def test_a_lid_a_little_darker_than_the_sheet_is_told_by_all_its_sides(
    lid: tuple[int, ...], paper: tuple[int, ...]
) -> None:
    sides = find_sheet(_on_lid(lid, paper))
    assert {side.found for side in sides} == {"faint"}
    assert np.degrees(skew(sides)) == pytest.approx(-0.76, abs=0.1)
    # a pale wash within a margin is darker than what lies round it, so it is no sheet
    assert not any(side.found for side in find_sheet(_on_lid(paper, paper, wash=0.965)))


def test_a_black_shape_along_half_a_side_is_no_edge() -> None:
    """Paper in uneven light beside a large black shape, whose side is as straight as a sheet's."""
    k = 150 / MM_PER_INCH
    light = np.linspace(0.35, 0.9, round(100 * k), dtype=np.float32)[None] * np.ones((round(130 * k), 1), np.float32)
    light[round(18 * k) : round(95 * k), round(10 * k) : round(88 * k)] = 0.02
    light += np.random.default_rng(3).normal(0, 0.004, light.shape).astype(np.float32)
    page = page_of_array(to_stored(np.clip(light, 0, 1)[..., None], "uint8", transfer_of(None)), 150)
    assert not any(side.found for side in find_sheet(page))
