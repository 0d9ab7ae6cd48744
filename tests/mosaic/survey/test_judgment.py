"""I check which of the motions proposed for two pieces is believed, and the words when none is."""

from __future__ import annotations

import functools
from dataclasses import replace

import cv2
import numpy as np
import pytest
import truth

from stitchbed.imaging.gray import gray_of
from stitchbed.imaging.transforms import moved
from stitchbed.matching.overlap_evidence import Detail, Evidence, EvidenceSettings, detail_of
from stitchbed.matching.similarity_links import Link, NoLink
from stitchbed.mosaic.survey import judgment
from stitchbed.mosaic.survey.judgment import (
    BeliefSettings,
    believed,
    checked_alone,
    difference,
    once_alike,
    outdone,
    pair_scale,
    rivals,
)

EVIDENCE, BELIEF = EvidenceSettings(), BeliefSettings()
DPI, SHAPE = 150.0, (300, 360)
POSES = [truth.pose(200, 170, 0.6, shape=SHAPE), truth.pose(430, 180, 180.4, shape=SHAPE)]
TRUE = np.linalg.inv(POSES[1]) @ POSES[0]


@functools.cache
def pair(other: int = 1) -> tuple[Detail, Detail]:
    """Two overlapping pieces of one sheet, or the second of another."""
    sheets = [truth.paint_sheet(360, 640, number) for number in (1, other)]
    tiles = [truth.cut_tiles(s, POSES, shape=SHAPE, seed=1)[k].pixels for k, s in enumerate(sheets)]
    return tuple(detail_of(gray_of(pixels), 1, DPI / 25.4, EVIDENCE) for pixels in tiles)  # type: ignore[return-value]


def proposed(motion: np.ndarray, agreement: float = 0.9) -> Link:
    """A link by that motion."""
    xy = np.array([[250.0, 60], [350, 60], [350, 240], [250, 240]])
    return Link("a", "b", motion, xy, moved(motion, xy), 0.5, agreement, 0.1)


def shifted(x: float, y: float = 0.0) -> np.ndarray:
    """The true motion, and that much further."""
    return np.array([[1, 0, x], [0, 1, y], [0, 0, 1.0]]) @ TRUE


def judged(*links: Link, other: int = 1, scale: float = 1.0) -> Link | NoLink:
    """The belief."""
    return believed(links, pair(other), scale, settings=BELIEF, evidence=EVIDENCE)


def test_the_true_motion_is_believed_though_it_comes_last() -> None:
    found = judged(proposed(shifted(60, 20), 0.95), proposed(shifted(-40, 90), 0.93), proposed(TRUE, 0.9))
    assert isinstance(found, Link) and found.probability > 0.9 and not found.ambiguous
    at = np.array([[300.0, 150.0]])
    assert np.abs(moved(found.b_from_a, at) - moved(TRUE, at)).max() < 0.5


def test_a_motion_some_millimeters_off_is_drawn_to_its_place() -> None:
    found = judged(proposed(shifted(8.0, -6.0)))
    assert isinstance(found, Link)
    at = np.array([[260.0, 80.0], [340.0, 220.0]])
    assert np.abs(moved(found.b_from_a, at) - moved(TRUE, at)).max() < 2.0  # px; tie points take it from there


def test_a_scale_a_little_off_is_the_dpi_s() -> None:
    middle = np.array([300.0, 150.0])
    grown = TRUE @ np.array([[1.004, 0, -0.004 * middle[0]], [0, 1.004, -0.004 * middle[1]], [0, 0, 1.0]])
    found = judged(proposed(grown))
    assert isinstance(found, Link)
    assert np.sqrt(abs(np.linalg.det(found.b_from_a[:2, :2]))) == pytest.approx(1.0, abs=1e-9)


def test_pieces_of_two_sheets_are_not_linked_and_the_reason_is_told() -> None:
    found = judged(proposed(TRUE), other=9)
    assert isinstance(found, NoLink) and found.probability < BELIEF.least
    assert found.tried == 4 and "where they would overlap" in found.reason


def test_a_pattern_that_fits_in_two_places_is_ambiguous() -> None:
    sheet = np.full((300, 600), 220, np.float32)
    for x in range(20, 600, 60):  # the same mark every 60 px, 10 mm
        for y in range(20, 300, 60):
            cv2.circle(sheet, (x, y), 9, 40.0, 2)
            cv2.line(sheet, (x - 4, y), (x + 12, y + 9), 40.0, 2)
    two = [detail_of(part.copy(), 1, DPI / 25.4, EVIDENCE) for part in (sheet[:, :360], sheet[:, 240:])]
    motions = [np.array([[1, 0, -240.0 + x], [0, 1, 0], [0, 0, 1]]) for x in (0, 60)]
    found = believed([proposed(m) for m in motions], (two[0], two[1]), 1.0, settings=BELIEF, evidence=EVIDENCE)
    assert isinstance(found, Link) and found.ambiguous
    alone = believed([proposed(motions[0])], (two[0], two[1]), 1.0, settings=BELIEF, evidence=EVIDENCE)
    assert isinstance(alone, Link) and not alone.ambiguous


def checked(link: Link, details: tuple[Detail, Detail]) -> Link:
    """What is left of the belief where no loop checks the link."""
    return checked_alone(link, details, settings=BELIEF, evidence=EVIDENCE)


def test_a_link_without_a_loop_is_looked_for_elsewhere_though_nothing_else_was_proposed() -> None:
    sheet = np.full((300, 600), 220, np.float32)
    for x in range(20, 600, 60):  # the same mark every 60 px, 10 mm
        cv2.rectangle(sheet, (x, 60), (x + 30, 90), 40.0, 2)
        cv2.line(sheet, (x - 4, 180), (x + 22, 219), 40.0, 2)
    two = [detail_of(part.copy(), 1, DPI / 25.4, EVIDENCE) for part in (sheet[:, :360], sheet[:, 240:])]
    wall = proposed(np.array([[1, 0, -240.0], [0, 1, 0], [0, 0, 1]]))
    assert checked(wall, (two[0], two[1])).ambiguous
    drawn_once = proposed(TRUE)
    assert checked(drawn_once, pair()) is drawn_once
    xy = np.tile(wall.xy_a, (BELIEF.many // 4, 1))  # so many points have voted for all places
    of_many = replace(wall, xy_a=xy, xy_b=moved(wall.b_from_a, xy))
    assert checked(of_many, (two[0], two[1])) is of_many
    by_cells = replace(of_many, by_cells=True)  # cells of the one motion that was tried have not
    assert checked(by_cells, (two[0], two[1])).ambiguous


def test_a_pattern_whose_copies_differ_a_little_is_no_rival_where_much_of_it_is_seen(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rng, sheet = np.random.default_rng(3), np.full((900, 1500), 220, np.float32)
    for x in range(20, 1500, 60):
        for y in range(20, 900, 60):
            cv2.rectangle(sheet, (x, y), (x + 30, y + 30), 40.0, 2)
            cv2.line(sheet, (x + 15, y + 8), (x + 15, y + 8 + int(rng.integers(2, 12))), 40.0, 2)
    two = [detail_of(part.copy(), 1, DPI / 25.4, EVIDENCE) for part in (sheet[:, :900], sheet[:, 600:])]
    true = proposed(np.array([[1, 0, -600.0], [0, 1, 0], [0, 0, 1]]))
    assert checked(true, (two[0], two[1])) is true
    # but of lines that fit one line aside as well, a hundred cells say no more than a few
    monkeypatch.setattr(judgment, "_slip", lambda *_: 2.0)
    assert checked(true, (two[0], two[1])).ambiguous


def _rosettes(*, marked: bool) -> tuple[Detail, Detail]:
    """Two pieces that share a round motif of six petals, with a bar beside it or not."""
    page = np.full((400, 700), 235.0, np.float32)
    petals = [cv2.ellipse2Poly((350, 180), (70, 22), turn, 0, 360, 6) for turn in range(0, 180, 60)]
    cv2.polylines(page, petals, True, 40.0, 5, cv2.LINE_AA)
    cv2.circle(page, (350, 180), 90, 40.0, 7, cv2.LINE_AA)
    if marked:
        cv2.line(page, (280, 300), (430, 340), 40.0, 6, cv2.LINE_AA)
    halves = page[:, :480], page[:, 220:]
    one, two = (detail_of(np.ascontiguousarray(half), 1, DPI / 25.4, EVIDENCE) for half in halves)
    return one, two


@pytest.mark.parametrize("marked", [False, True])
def test_a_round_motif_fits_upside_down_as_well_unless_something_beside_it_tells(marked: bool) -> None:
    upright = np.array([[1.0, 0, -220], [0, 1, 0], [0, 0, 1]])
    assert checked(proposed(upright), _rosettes(marked=marked)).ambiguous is not marked


@pytest.mark.parametrize("crossed", [False, True])
def test_fine_lines_fit_one_line_farther_unless_something_crosses_them(crossed: bool) -> None:
    """Lines of 1.2 mm, bent a little, over both pieces; letters between them leave one place only."""
    rows, cols = np.mgrid[:360, :640]
    lines = np.cos(2 * np.pi * (rows + 4 * np.sin(cols / 90)) / (1.2 * DPI / 25.4)) > 0
    sheet = np.where(lines, 140, 230).astype(np.uint8)
    for k in range(60 if crossed else 0):
        at = 40 + 37 * k % 560, 30 + 53 * k % 310
        cv2.putText(sheet, "kelp"[k % 4], at, cv2.FONT_HERSHEY_SIMPLEX, 0.8, 20, 3)
    two = [cv2.GaussianBlur(sheet[:, left : left + 360].astype(np.float32), (0, 0), 1.0) for left in (0, 250)]
    details = tuple(detail_of(one, 1, DPI / 25.4, EVIDENCE) for one in two)
    found = checked_alone(
        proposed(np.array([[1, 0, -250.0], [0, 1, 0], [0, 0, 1]])), details, settings=BELIEF, evidence=EVIDENCE
    )
    assert bool(found.slip_mm) != crossed
    assert crossed or abs(found.slip_mm / 1.2 - round(found.slip_mm / 1.2)) < 0.15


def test_a_link_without_a_loop_that_nowhere_fits_well_is_believed_less() -> None:
    found = checked(proposed(TRUE), pair(9))
    assert found.probability == BELIEF.least and not found.ambiguous


def _verses(first: int, lines: int) -> np.ndarray:
    """Lines of signs from number `first` on, three that come again and one that does not."""
    rng = np.random.default_rng(5)
    refrain = rng.integers(-10, 11, (3, 24, 4, 2))
    page = np.full((40 * lines, 500), 220, np.float32)
    for row in range(lines):
        number = first + row
        signs = refrain[number % 4] if number % 4 < 3 else np.random.default_rng(number).integers(-10, 11, (24, 4, 2))
        for col, sign in enumerate(signs):
            cv2.polylines(page, [sign.astype(np.int32) + (16 + 20 * col, 20 + 40 * row)], False, 40.0, 2)
    return page


def test_a_refrain_is_no_rival_of_the_true_place_but_of_another_refrain() -> None:
    def seen(shifts: tuple[int, ...], first: int) -> Link | NoLink:
        pages = [detail_of(page, 1, DPI / 25.4, EVIDENCE) for page in (_verses(0, 12), _verses(first, 12))]
        motions = [np.array([[1, 0, 0], [0, 1, 40.0 * shift], [0, 0, 1]]) for shift in shifts]
        return believed([proposed(m) for m in motions], (pages[0], pages[1]), 1.0, settings=BELIEF, evidence=EVIDENCE)

    true = seen((-8, -4, 0), 8)  # lines 8 to 11 are in both
    assert isinstance(true, Link) and not true.ambiguous and true.b_from_a[1, 2] == pytest.approx(-320, abs=3)
    apart = seen((-8, -4, 0), 16)  # none is
    assert isinstance(apart, NoLink) or apart.ambiguous


def test_no_proposal_is_the_caller_s_mistake() -> None:
    with pytest.raises(ValueError, match="no link was proposed"):
        believed([], pair(), 1.0, settings=BELIEF, evidence=EVIDENCE)


@pytest.mark.parametrize(
    ("likeness", "drawing", "bare", "words"),
    [
        ([1.0] * 10, [0.05] * 10, 0.0, "hardly anything is drawn"),
        ([0.9] * 7 + [0.1] * 3, [1.0] * 10, 0.4, "3 of 10 places with drawing differ"),
        ([0.9] * 9 + [0.1], [1.0] * 10, 0.37, "37 % of the drawing is in one of them only"),
        ([0.9] * 8 + [0.1] * 2, [1.0] * 8 + [0.1] * 2, 0.2, "20 % of the drawing"),  # bare cells do not count
    ],
)
def test_what_speaks_against_a_motion(likeness: list, drawing: list, bare: float, words: str) -> None:
    n = len(likeness)
    seen = Evidence(np.zeros((n, 2)), np.array(likeness), np.array(drawing), np.zeros((n, 2)), bare)
    assert difference(seen).startswith(words)


def test_a_pair_s_scale_is_the_ratio_of_its_dpi() -> None:
    dpi = np.array([300.0, 600.0, 150.0])
    assert pair_scale(dpi, (0, 1)) == 2.0
    assert pair_scale(dpi, (1, 2)) == 0.25


@functools.cache
def refrain(*, odd: bool) -> tuple[Detail, Detail]:
    """Two pieces that share 80 px of rows of marks that come again every 60 px; `odd`: each a little aside of its
    place, as drawn by hand."""
    rng, sheet = np.random.default_rng(7), np.full((420, 700), 220, np.float32)
    for x in range(30, 700, 60):
        for y in range(30, 420, 60):
            dx, dy = rng.integers(-9, 10, 2) if odd else (0, 0)
            cv2.circle(sheet, (x + int(dx), y + int(dy)), 12, 30, 3)
            cv2.line(sheet, (x + int(dx), y), (x + 20, y + 20 + int(dy)), 30, 3)
    parts = (sheet[:, :410].copy(), sheet[:, 290:].copy())
    return tuple(detail_of(part, 1, DPI / 25.4, EVIDENCE) for part in parts)  # type: ignore[return-value]


def test_of_places_where_a_motif_lies_on_its_like_the_one_true_place_is_found() -> None:
    motion, seen = once_alike(refrain(odd=True), 1.0, settings=BELIEF, evidence=EVIDENCE)
    assert seen is not None and seen.usual > 0.95
    assert np.abs(motion[:2, 2] - [-290, 0]).max() < 2.0


def test_a_motif_that_is_the_same_everywhere_has_no_true_place() -> None:
    assert once_alike(refrain(odd=False), 1.0, settings=BELIEF, evidence=EVIDENCE)[1] is None


def test_pieces_of_two_sheets_have_no_true_place() -> None:
    assert once_alike(pair(9), 1.0, settings=BELIEF, evidence=EVIDENCE)[1] is None


def toned(cells: int, likeness: float, *, tone: float, tones: float) -> Evidence:
    """All cells alike, tones of so many cells' worth."""
    places, full = np.arange(2.0 * cells).reshape(-1, 2), np.ones(cells)
    return Evidence(places, full * likeness, full, np.zeros((cells, 2)), 0.0, tone, tones)


def test_a_screen_of_dots_has_rivals_though_their_tones_differ_unless_its_own_agree() -> None:
    elsewhere = toned(200, 0.93, tone=0.1, tones=6.0)
    narrow, true = toned(47, 0.92, tone=0.32, tones=0.5), toned(47, 0.92, tone=0.95, tones=5.0)
    assert rivals(narrow, elsewhere, BELIEF, EVIDENCE) and not outdone(elsewhere, narrow, BELIEF, EVIDENCE)
    assert not rivals(true, elsewhere, BELIEF, EVIDENCE) and outdone(elsewhere, true, BELIEF, EVIDENCE)
