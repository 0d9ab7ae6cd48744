"""I check one side of a sheet against where it was put, and that lines, lids and shadows are told from it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.stats import norm

from stitchbed.page.sheet.edges import Line, edge_of, measured

K = 4.0  # px per mm of the view
HEIGHT, WIDTH = 240, 320
PAPER, LID = 0.86, 0.35


def is_paper(color: np.ndarray) -> bool:
    """Within five percent of the sheet's light."""
    return bool(np.abs(color / PAPER - 1).max() < 0.05)


def view(offset: float, slope: float, *, outside: float = LID) -> np.ndarray:
    """A sheet below a straight edge, drawn with the share of each pixel it covers."""
    depth = np.arange(HEIGHT)[:, None] - (offset + slope * np.arange(WIDTH))
    share = np.clip(depth + 0.5, 0, 1)
    light = outside + (PAPER - outside) * share
    noise = np.random.default_rng(1).normal(0, 0.004, (HEIGHT, WIDTH, 3))
    return np.asarray(np.where(light[..., None] > 0, light[..., None] + noise, 0), np.float32)


@pytest.mark.parametrize(("offset", "slope"), [(20.0, 0.0), (33.0, 0.05), (50.0, -0.09)])
@pytest.mark.parametrize("outside", [LID, 0.05, 0.7])
def test_the_edge_is_found_to_a_pixel_of_the_view(offset: float, slope: float, outside: float) -> None:
    line, found = edge_of(view(offset, slope, outside=outside), is_paper, K)
    assert found == "step" and line is not None
    along = np.array([0.0, WIDTH / 2, WIDTH - 1.0])
    assert np.abs(line.at(along) - (offset + slope * along)).max() < 1.5


def test_the_end_of_what_was_scanned_is_told_from_the_sheet_s_edge() -> None:
    line, found = edge_of(view(30.0, 0.02, outside=0.0), is_paper, K)
    assert found == "end" and line is not None and abs(line.offset - 30) < 1.5


def test_a_drawn_line_is_no_edge() -> None:
    sheet = np.full((HEIGHT, WIDTH, 3), PAPER, np.float32)
    cv2.line(sheet, (0, 30), (WIDTH, 33), (0.05,) * 3, 4)
    assert edge_of(sheet, is_paper, K) == (None, "")
    assert edge_of(np.full((HEIGHT, WIDTH, 3), PAPER, np.float32), is_paper, K) == (None, "")


def test_a_frame_within_the_sheet_does_not_hide_its_edge() -> None:
    sheet = view(20.0, 0.0)
    cv2.line(sheet, (0, 45), (WIDTH, 45), (0.05,) * 3, 4)
    line, found = edge_of(sheet, is_paper, K)
    assert found == "step" and line is not None and abs(line.offset - 20) < 1.5


def test_a_shadow_on_a_lid_as_white_as_the_sheet_tells_the_edge() -> None:
    depth = np.arange(HEIGHT) - 40.0
    shadow = 1 - 0.45 * norm.cdf(depth / K + 2) * (depth < 0)  # soft outside, gone at once on the sheet
    sheet = np.repeat((PAPER * shadow)[:, None, None], WIDTH, axis=1) * np.ones(3)
    sheet += np.random.default_rng(2).normal(0, 0.002, sheet.shape)
    line, found = edge_of(sheet.astype(np.float32), is_paper, K)
    assert found == "shadow" and line is not None and abs(line.offset - 40) < 2


# --- in full


def profiles(line: Line, along: np.ndarray, guess: np.ndarray, half: int, noise: float) -> list[np.ndarray]:
    """Light (2 half + 1, 3) across an edge as soft as a lens makes it."""
    rng = np.random.default_rng(3)
    found = []
    for at, middle in zip(line.at(along), np.rint(guess), strict=True):
        depth = middle - half + np.arange(2 * half + 1)
        light = LID + (PAPER - LID) / (1 + np.exp(-(depth - at) / 1.1))
        found.append((light[:, None] + rng.normal(0, noise, (len(depth), 3))).astype(np.float32))
    return found


@pytest.mark.parametrize("slope", [0.0, 0.013, -0.05])
def test_the_line_in_full_is_good_to_parts_of_a_pixel(slope: float) -> None:
    true, along = Line(210.3, slope), np.arange(0, 2000, 25.0)
    guess = true.at(along) + 6.4 - 0.002 * along  # the view's line, a little off
    line, sd, share = measured(along, guess, profiles(true, along, guess, 24, 0.002), 24.0)
    assert line is not None and np.abs(line.at(along) - true.at(along)).max() < 0.05
    assert sd < 0.1 and share > 0.95


def test_places_that_show_something_else_do_not_bend_it() -> None:
    true, along = Line(150.0, 0.01), np.arange(0, 2000, 25.0)
    seen = profiles(true, along, true.at(along), 24, 0.002)
    for k in range(0, len(seen), 5):  # a fifth shows a torn corner, or no edge at all
        seen[k] = np.roll(seen[k], 14, axis=0) if k % 2 else np.full_like(seen[k], PAPER)
    line, _, share = measured(along, true.at(along), seen, 24.0)
    assert line is not None and np.abs(line.at(along) - true.at(along)).max() < 0.2
    assert share == pytest.approx(0.8, abs=0.03)


def test_seven_places_say_nothing() -> None:
    true, along = Line(100.0, 0.0), np.arange(0, 2000, 25.0)
    seen = [np.full((49, 3), PAPER, np.float32)] * len(along)
    seen[:7] = profiles(true, along[:7], true.at(along[:7]), 24, 0.0)
    assert measured(along, true.at(along), seen, 24.0) == (None, 0.0, 0.0)
    seen[7:8] = profiles(true, along[7:8], true.at(along[7:8]), 24, 0.0)
    assert measured(along, true.at(along), seen, 24.0)[0] is not None
