"""I check that a side taken at the picture instead of at its margin's end is named, and that no other is."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitchbed.photos.sides.lines import SIDES, sides_through
from stitchbed.photos.sides.margins import edge_beyond, lone_edges, short_sides

WIDTH, HEIGHT, MARGIN = 300.0, 200.0, 10.0
PAPER, PICTURE, TABLE = 0.9, 0.2, 0.4
WHOLE = np.array([[0, 0], [WIDTH, 0], [WIDTH, HEIGHT], [0, HEIGHT]])


def seen(xy: np.ndarray, *, light: float = 0.0, hidden: float = -1e9) -> np.ndarray:
    """A dark picture in its margin, on a table; light : share gained to the right. hidden : x to which a card lies."""
    x, y = xy.T
    on_paper = (x > 0) & (x < WIDTH) & (y > 0) & (y < HEIGHT)
    on_picture = (x > MARGIN) & (x < WIDTH - MARGIN) & (y > MARGIN) & (y < HEIGHT - MARGIN)
    tone = np.where(on_picture, PICTURE, np.where(on_paper, PAPER, TABLE)) * (1 + light * (x / WIDTH - 0.5))
    return np.repeat(np.where(x < hidden, np.nan, tone)[:, None], 3, axis=1)


@pytest.mark.parametrize("light", [0.05, 0.6])  # the margin is lit evenly, or nearly twice as bright at one end
@pytest.mark.parametrize("name", SIDES)
def test_the_side_that_leaves_its_margin_out_is_named(name: str, light: float) -> None:
    inward = {"top": (0, MARGIN), "right": (-MARGIN, 0), "bottom": (0, -MARGIN), "left": (MARGIN, 0)}[name]
    index = SIDES.index(name)
    corners = WHOLE.copy()
    corners[[index, (index + 1) % 4]] += inward
    assert short_sides(corners, lambda xy: seen(xy, light=light)) == (name,)


def test_two_sides_across_from_each_other_are_named() -> None:
    corners = WHOLE + MARGIN * np.array([[1, 0], [-1, 0], [-1, 0], [1, 0]])
    assert short_sides(corners, lambda xy: seen(xy, light=0.6)) == ("right", "left")


def test_whole_margins_and_none_are_left_alone() -> None:
    assert short_sides(WHOLE, seen) == ()
    within = WHOLE + MARGIN * np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]])
    assert short_sides(within, seen) == ()  # all four alike: of two rectangles the inner one, told elsewhere


def test_what_a_card_hides_says_nothing() -> None:
    corners = WHOLE.copy()
    corners[[0, 3], 0] += MARGIN
    assert short_sides(corners, lambda xy: seen(xy, hidden=2 * MARGIN)) == ()


def test_an_edge_that_runs_along_beyond_a_side_is_seen_and_a_calm_table_is_not() -> None:
    """A picture in its margin on a table: the picture's sides have the sheet's beyond them, the sheet's have none."""
    view = np.full((700, 1000, 3), 90, np.uint8)
    view += np.random.default_rng(1).integers(0, 8, view.shape, np.uint8)
    view[150:550, 250:750] = 230
    view[200:500, 320:680] = 60
    hidden = np.zeros(view.shape[:2], bool)
    picture = np.array([[320, 200], [680, 200], [680, 500], [320, 500.0]]) - 0.5
    sheet = np.array([[250, 150], [750, 150], [750, 550], [250, 550.0]]) - 0.5
    assert edge_beyond(view, hidden, sides_through(picture))
    assert not edge_beyond(view, hidden, sides_through(sheet))
    lined = view.copy()
    lined[:, 840:846] = 20  # a joint of the table
    assert edge_beyond(lined, hidden, sides_through(sheet))
    hidden[:, 800:900] = True  # a card over it
    assert not edge_beyond(lined, hidden, sides_through(sheet))


@pytest.mark.parametrize("seed", [0, 1])
def test_an_edge_along_within_one_side_alone_is_told_and_a_margin_is_not(seed: int) -> None:
    """As of a raised work's side face, or of a table's line taken for a side; strokes and a margin are none."""
    rng = np.random.default_rng(seed)
    view = np.full((700, 1000, 3), 90, np.uint8)
    view[150:550, 250:750] = 200
    for _ in range(40):
        middle = rng.uniform(0.2, 0.8, 2) * [500, 400] + [250, 150]
        ends = (middle + rng.uniform(-75, 75, (2, 2))).astype(int)
        cv2.line(view, ends[0].tolist(), ends[1].tolist(), rng.integers(20, 160, 3).tolist(), 2)
    hidden = np.zeros(view.shape[:2], bool)
    sides = sides_through(np.array([[250, 150], [750, 150], [750, 550], [250, 550.0]]) - 0.5)
    assert lone_edges(view, hidden, sides) == {}
    raised = view.copy()
    raised[150:550, 250:262] = 130
    assert lone_edges(raised, hidden, sides) == {"left": pytest.approx(12, abs=1.5)}
    margin = view.copy()
    for part in (np.s_[150:162], np.s_[538:550]):
        margin[part, 250:750] = 230
    for part in (np.s_[250:262], np.s_[738:750]):
        margin[150:550, part] = 230
    assert lone_edges(margin, hidden, sides) == {}
