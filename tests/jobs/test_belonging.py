"""I check what pictures are taken for: pieces of one sheet, pages, pages twice; on drawings cut by whole pixels."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from stitchbed.core.progress import silent
from stitchbed.jobs.belonging import PAGES, PIECES, UNCLEAR, Belonging, _kind, _shared, belonging
from stitchbed.matching.similarity_links import Link
from stitchbed.reading.base.tile import Tile
from stitchbed.reading.intake import take_in

DPI = 100
SIDE = (260, 300)  # px of a picture, 66 x 76 mm


@cache
def drawing(seed: int) -> np.ndarray:
    """(260, 560) strokes."""
    rng = np.random.default_rng(seed)
    gray = np.full((260, 560), 235, np.uint8)
    for _ in range(230):
        line = np.cumsum(np.vstack([rng.uniform((-10, -10), (570, 270)), rng.normal(0, 11, (4, 2))]), axis=0)
        cv2.polylines(
            gray, [np.rint(line * 16).astype(np.int32)], False, float(rng.uniform(20, 110)), 2, cv2.LINE_AA, 4
        )
    return gray


def tiles_of(folder: Path, **cuts: tuple[int, int]) -> list[Tile]:
    """Pictures called by name, each 300 px wide from a column of a drawing: (seed, column)."""
    folder.mkdir(exist_ok=True)
    for name, (seed, col) in cuts.items():
        Image.fromarray(drawing(seed)[:, col : col + SIDE[1]]).save(folder / f"{name}.png", dpi=(DPI, DPI))
    return take_in([folder])[0]


def told(folder: Path, **cuts: tuple[int, int]) -> Belonging:
    """What they are to one another."""
    return belonging(tiles_of(folder, **cuts), workers=2, progress=silent)


def test_one_picture_is_a_page(tmp_path: Path) -> None:
    assert told(tmp_path, a=(1, 0)) == Belonging(PAGES, (), ("a.png",), ())
    assert belonging([], workers=1, progress=silent) == Belonging(PAGES, (), (), ())


def test_pictures_that_share_a_strip_are_pieces(tmp_path: Path) -> None:
    assert told(tmp_path, left=(1, 0), right=(1, 200)) == Belonging(PIECES, (("left.png", "right.png"),), (), ())


def test_pictures_that_share_nothing_are_pages(tmp_path: Path) -> None:
    assert told(tmp_path, a=(1, 0), b=(2, 0)) == Belonging(PAGES, (), ("a.png", "b.png"), ())


def test_two_captures_of_one_page_are_no_neighbors(tmp_path: Path) -> None:
    found = told(tmp_path, a=(1, 100), b=(1, 118), c=(2, 0))
    assert found == Belonging(PAGES, (), ("a.png", "b.png", "c.png"), (("a.png", "b.png"),))


def test_pieces_of_two_sheets_are_unclear(tmp_path: Path) -> None:
    found = told(tmp_path, a=(1, 0), b=(1, 200), c=(2, 0), d=(2, 200), e=(3, 0))
    assert found.kind == UNCLEAR
    assert found.groups == (("a.png", "b.png"), ("c.png", "d.png")) and found.alone == ("e.png",)


def test_looking_is_told_as_it_goes_on(tmp_path: Path) -> None:
    heard: list[tuple[str, int, int]] = []
    belonging(tiles_of(tmp_path, a=(1, 0), b=(2, 0)), workers=1, progress=lambda *said: heard.append(said))
    assert heard == [("looking", 1, 2), ("looking", 2, 2)]


@pytest.mark.parametrize(
    ("count", "groups", "alone", "kind"),
    [
        (3, [], {"a", "b", "c"}, PAGES),
        (2, ["ab"], set(), PIECES),
        (3, ["ab"], {"c"}, PIECES),  # a third may find no neighbor
        (2, ["ab"], {"c"}, UNCLEAR),
        (6, ["abcd"], {"e", "f"}, PIECES),
        (5, ["abc"], {"d", "e"}, UNCLEAR),
        (4, ["ab", "cd"], set(), UNCLEAR),
    ],
)
def test_what_groups_and_lone_pictures_make_of_a_set(count: int, groups: list[str], alone: set[str], kind: str) -> None:
    assert _kind(count, groups, alone) == kind


@pytest.mark.parametrize(
    ("shift", "share"),
    [((0, 0), 1.0), ((50, 0), 0.5), ((0, 75), 0.25), ((50, 50), 0.25), ((120, 0), 0.0), ((-20, 0), 0.8)],
)
def test_the_share_of_the_smaller_picture(shift: tuple[int, int], share: float) -> None:
    motion = np.array([[1, 0, shift[0]], [0, 1, shift[1]], [0, 0, 1]], np.float64)
    link = Link("a", "b", motion, np.zeros((2, 2)), np.zeros((2, 2)), 1.0, 0.9, 0.0)
    assert _shared(link, {"a": (101, 101), "b": (101, 101)}) == pytest.approx(share)
    # the second is twice as large and holds the first whole where that lies inside it
    assert _shared(link, {"a": (101, 101), "b": (401, 401)}) == pytest.approx(0.8 if shift[0] < 0 else 1.0)
