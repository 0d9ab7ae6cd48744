"""I check how one drawing seen twice is told from two drawings of one motif: by hand, and on stamps drawn askew."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stitchbed.matching.overlap_evidence import Evidence
from stitchbed.matching.similarity_links import Link
from stitchbed.mosaic.islands.two_drawings import TwiceSettings, of_two_kinds, told_apart

WISHES = TwiceSettings()
XY = np.zeros((4, 2))


def linked(a: str, b: str, differs: float, elsewhere: float, *, drawn: float = 20.0, ambiguous: bool = True) -> Link:
    """A link that fits so well, and so well elsewhere."""
    return Link(
        a, b, np.eye(3), XY, XY, 1.0, 0.9, 0.9, ambiguous=ambiguous, drawn=drawn, differs=differs, elsewhere=elsewhere
    )


def pairs(links: list[Link]) -> list[str]:
    return [item.a + item.b for item in links]


def test_links_of_other_copies_are_set_apart_and_the_others_fit_nowhere_else() -> None:
    true = [linked("a", "b", 0.001, 0.02), linked("b", "c", 0.004, 0.03, ambiguous=False)]
    kept, copies = told_apart([*true, linked("a", "c", 0.025, 0.026)], WISHES)
    assert pairs(kept) == ["ab", "bc"] and not any(item.ambiguous for item in kept)
    assert pairs(copies) == ["ac"]


@pytest.mark.parametrize(
    "more",
    [
        pytest.param(linked("a", "c", 0.009, 0.03), id="something lies between the two kinds"),
        pytest.param(linked("a", "c", 0.03, 0.008), id="a copy that differs by little"),
    ],
)
def test_nothing_is_told_where_the_two_kinds_are_not_apart(more: Link) -> None:
    links = [linked("a", "b", 0.004, 0.02), more]
    kept, copies = told_apart(links, WISHES)
    assert kept == links and not copies


def test_printed_motifs_still_fit_elsewhere() -> None:
    """Of a printed motif every copy is the same, so that the true place differs no less than others."""
    kept, copies = told_apart([linked("a", "b", 0.001, 0.001), linked("b", "c", 0.001, np.inf)], WISHES)
    assert [item.ambiguous for item in kept] == [True, False] and not copies


def test_where_nothing_comes_twice_nothing_is_asked() -> None:
    links = [linked("a", "b", 0.001, 0.05, ambiguous=False), linked("b", "c", 0.05, 0.06, ambiguous=False)]
    assert told_apart(links, WISHES) == (links, [])


def test_little_drawing_and_what_a_person_said_are_left_as_they_are() -> None:
    true, little = linked("a", "b", 0.001, 0.03), linked("b", "c", 0.002, 0.03, drawn=3.0)
    said, untold = replace(linked("a", "c", 0.04, 0.04), said=True), linked("c", "d", np.inf, np.inf, drawn=3.0)
    kept, copies = told_apart([true, little, said, untold], WISHES)
    assert [item.ambiguous for item in kept] == [False, True, True, True] and not copies


def test_two_kinds_need_a_gap() -> None:
    assert of_two_kinds(0.001, 0.006, WISHES) and of_two_kinds(0.004, 0.011, WISHES)
    assert not of_two_kinds(0.001, 0.005, WISHES) and not of_two_kinds(0.004, 0.009, WISHES)
    assert not of_two_kinds(0.007, 0.1, WISHES)  # differs by more than scans do


def cells(off_px: np.ndarray, likeness: float, *, pixel_mm: float = 0.1) -> Evidence:
    """A grid of 4 x 5 cells found off by so much."""
    middle = np.stack(np.meshgrid(np.arange(5.0), np.arange(4.0)), -1).reshape(-1, 2) * 60
    full = np.ones(len(middle))
    return Evidence(middle, full * likeness, full, off_px, 0.0, pixel_mm=pixel_mm)


def test_cells_that_one_turned_motion_finds_do_not_scatter() -> None:
    middle = cells(np.zeros((20, 2)), 1.0).middle
    turn = np.deg2rad(0.4)
    turned = middle @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]) + (3, -2)
    assert cells(turned - middle, 0.99).scatter == pytest.approx(0.0, abs=1e-9)


def test_cells_drawn_by_hand_scatter_as_the_hand_does() -> None:
    off = np.random.default_rng(3).normal(0, 4.0, (20, 2))  # px, of a tenth of a millimeter
    seen = cells(off, 0.95)
    left = 40 - 3  # of 40 numbers a motion without a size takes three
    assert seen.scatter == pytest.approx(0.4 * np.sqrt(2 * left / 40), rel=0.25)
    assert seen.differs == pytest.approx(0.05 * seen.scatter)
    larger = cells(0.02 * cells(off, 1.0).middle, 0.99)  # another size is no motion of one drawing
    assert larger.scatter > 0.1


def test_a_few_cells_tell_nothing() -> None:
    few = Evidence(np.zeros((4, 2)), np.ones(4), np.ones(4), np.zeros((4, 2)), 0.0)
    assert few.scatter == np.inf and few.differs == np.inf
