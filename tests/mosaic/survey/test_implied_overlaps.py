"""I check overlaps that a layout implies: their size by geometry; pieces that show other things there are parted."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest
import truth

from stitchbed.imaging.gray import gray_of
from stitchbed.matching.overlap_evidence import Detail, Evidence, EvidenceSettings, detail_of
from stitchbed.matching.similarity_links import Link
from stitchbed.mosaic.linking.pose_graph import Layout
from stitchbed.mosaic.survey.implied_overlaps import (
    Quarrel,
    doubted,
    left_quarrels,
    less_alike,
    outvoted_only,
    quarrels,
    seen_there,
    settled,
    shared,
    spoken_against,
)
from stitchbed.mosaic.survey.judgment import BeliefSettings

SETTINGS = EvidenceSettings()
DPI, SHAPE = 150.0, (300, 360)
SIZES = dict.fromkeys("abc", SHAPE)
# three in a row on one sheet, each sharing 160 px with the next; the outer two share 16 px at least
POSES = {"a": truth.pose(190, 170, 0.0, shape=SHAPE), "b": truth.pose(390, 180, 0.5, shape=SHAPE),
         "c": truth.pose(500, 175, 180.2, shape=SHAPE)}  # fmt: skip


@functools.cache
def detail(name: str, seed: int) -> Detail:
    """What a piece of a sheet shows."""
    sheet = truth.paint_sheet(360, 720, seed)
    tile = truth.cut_tiles(sheet, [POSES[name]], shape=SHAPE, seed=seed)[0]
    return detail_of(gray_of(tile.pixels), 1, DPI / 25.4, SETTINGS)


def details(**seeds: int) -> dict[str, Detail]:
    """Of the pieces, each from the sheet of that number."""
    return {name: detail(name, seed) for name, seed in seeds.items()}


def link(a: str, b: str, probability: float) -> Link:
    """A link that says they lie as POSES has them."""
    motion = np.linalg.inv(POSES[b]) @ POSES[a]
    return Link(a, b, motion, np.zeros((4, 2)), np.zeros((4, 2)), 0.5, 0.9, 0.1, probability=probability)


# --- geometry


def test_a_share_is_of_the_smaller_outline_or_the_larger() -> None:
    places = {"a": np.eye(3), "b": np.array([[1, 0, 269.25], [0, 1, 0], [0, 0, 1.0]])}
    sizes = {"a": SHAPE, "b": (151, 180)}
    # corners are middles of pixels: 359 x 299 and 179 x 150 px; 89.75 x 150 of them shared
    want = 89.75 * 150
    assert shared(places, sizes, "a", "b") == pytest.approx(want / (179 * 150), rel=1e-5)
    assert shared(places, sizes, "a", "b", larger=True) == pytest.approx(want / (359 * 299), rel=1e-5)
    assert shared(places, sizes, "a", "a") == pytest.approx(1)
    far = places | {"b": np.array([[1, 0, 900.0], [0, 1, 0], [0, 0, 1.0]])}
    assert shared(far, sizes, "a", "b") == 0


def test_a_square_turned_by_an_eighth_shares_an_octagon() -> None:
    c = np.sqrt(0.5)
    turn = np.array([[c, -c, 50], [c, c, 50 - 100 * c], [0, 0, 1.0]])  # round the middle of 100 px
    sizes = {"a": (101, 101), "b": (101, 101)}
    assert shared({"a": np.eye(3), "b": turn}, sizes, "a", "b") == pytest.approx(2 * (np.sqrt(2) - 1), rel=1e-4)


# --- quarrels


def test_pieces_of_one_sheet_do_not_quarrel() -> None:
    assert quarrels(POSES, SIZES, details(a=1, b=1, c=1), SETTINGS) == []


def test_a_piece_of_another_sheet_quarrels_with_all_it_is_laid_on() -> None:
    found = quarrels(POSES, SIZES, details(a=1, b=1, c=9), SETTINGS)
    assert ("b", "c") in {(one.a, one.b) for one in found}
    assert all("c" in (one.a, one.b) and one.probability < 0.1 for one in found)


def test_trusted_pairs_are_not_asked_again() -> None:
    trusted = frozenset({("a", "c"), ("b", "c")})
    assert quarrels(POSES, SIZES, details(a=1, b=1, c=9), SETTINGS, trusted=trusted) == []


# --- settled


def layout(*links: Link) -> Layout:
    """All three laid by those links."""
    inside = np.linalg.inv(POSES["a"])
    return Layout("a", {name: inside @ pose for name, pose in POSES.items()}, links, ())


def test_a_weak_link_that_lays_other_drawing_on_a_piece_is_given_up() -> None:
    seen = details(a=1, b=1, c=9)
    kept = settled(layout(link("a", "b", 0.99), link("a", "c", 0.55)), SIZES, seen, SETTINGS)
    assert [sorted(one.sheet_from_tile) for one in kept] == [["a", "b"], ["c"]]
    (item, reason), *_ = kept[0].dropped
    assert {item.a, item.b} == {"a", "c"} and "other overlaps that it implies" in reason


def test_a_layout_without_quarrels_stays() -> None:
    whole = layout(link("a", "b", 0.99), link("a", "c", 0.55))
    assert settled(whole, SIZES, details(a=1, b=1, c=1), SETTINGS) == [whole]


def test_a_quarrel_is_told_with_its_place_on_the_canvas() -> None:
    middle = np.array([[100.0, 200.0], [300.0, 200.0], [500.0, 500.0]])
    seen = Evidence(middle, np.array([0.0, 0.0, 1.0]), np.ones(3), np.zeros((3, 2)), 0.0)
    place = np.array([[1, 0, 1000.0], [0, 1, 0], [0, 0, 1]])
    words = doubted(Quarrel("a.tif", "b.tif", 0.01, seen), place, 10.0)
    assert words == "a.tif and b.tif (around 120 mm from the left, 20 mm from the top)"


@pytest.mark.parametrize(("height", "width", "parted"), [(90, 70, False), (200, 140, True)])
def test_a_flap_that_moved_is_no_fault_of_the_layout_but_is_told_of_the_finished_one(
    height: int, width: int, *, parted: bool
) -> None:
    tile = truth.cut_tiles(truth.paint_sheet(360, 720, 1), [POSES["b"]], shape=SHAPE, seed=1)[0].pixels.copy()
    box = np.s_[60 : 60 + height, 20 : 20 + width]
    tile[box] = np.roll(tile, (25, 25), (0, 1))[box]
    both = {"a": detail("a", 1), "b": detail_of(gray_of(tile), 1, DPI / 25.4, SETTINGS)}
    places = {name: POSES[name] for name in "ab"}
    assert bool(quarrels(places, SIZES, both, SETTINGS)) == parted
    assert left_quarrels(seen_there(places, SIZES, both, SETTINGS), SETTINGS)


# --- other layouts


def test_pictures_speak_against_places_by_their_quarrels_only() -> None:
    bare, wishes = Layout("a", POSES, (), ()), {"belief": BeliefSettings(), "evidence": SETTINGS}
    ask = spoken_against(bare, SIZES, details(a=1, b=1, c=1), **wishes)
    assert ask(POSES, frozenset()) == 0
    strange = spoken_against(bare, SIZES, details(a=1, b=1, c=9), **wishes)
    assert strange(POSES, frozenset()) > np.log(9)
    assert strange(POSES, frozenset({("a", "c"), ("b", "c")})) == 0


def test_a_grid_speaks_against_places_that_are_none() -> None:
    places = {f"{i}{j}": truth.pose(240 * i, 200 * j, 0.0, shape=SHAPE) for i in (0, 1) for j in (0, 1)}
    sizes, wishes = dict.fromkeys(places, SHAPE), {"belief": BeliefSettings(), "evidence": SETTINGS}
    blank = detail_of(np.full(SHAPE, 235.0, np.float32), 1, DPI / 25.4, SETTINGS)
    ask = spoken_against(Layout("00", places, (), ()), sizes, dict.fromkeys(places, blank), **wishes)
    askew = places | {"11": truth.pose(350, 200, 0.0, shape=SHAPE)}
    assert ask(places, frozenset()) == 0 and ask(askew, frozenset()) > 6
    no_grid = spoken_against(Layout("00", askew, (), ()), sizes, dict.fromkeys(places, blank), **wishes)
    assert no_grid(places, frozenset()) == 0


def test_a_dropped_link_counts_only_where_its_own_motion_fits_better() -> None:
    true, off = link("a", "b", 0.9), link("a", "b", 0.9)
    off = dataclasses.replace(off, b_from_a=np.array([[1, 0, 9.0], [0, 1, -9.0], [0, 0, 1]]) @ off.b_from_a)
    seen, dropped = details(a=1, b=1, c=1), ((off, "by votes"),)
    right = outvoted_only(Layout("a", POSES, (), dropped), POSES, seen, SETTINGS)
    assert right.dropped == ()
    wrong = POSES | {"b": POSES["a"] @ np.linalg.inv(off.b_from_a)}
    told = outvoted_only(Layout("a", wrong, (), ((true, "by votes"),)), wrong, seen, SETTINGS)
    assert told.dropped == ((true, "by votes"),) and told.sheet_from_tile == wrong


def test_a_pair_speaks_against_a_motion_by_which_it_is_less_alike() -> None:
    motion, seen = link("a", "b", 0.9).b_from_a, (details(a=1, b=1)["a"], details(a=1, b=1)["b"])
    wishes = BeliefSettings(), SETTINGS
    assert abs(less_alike(motion, motion, seen, *wishes)) < 0.5
    aside = motion @ np.array([[1, 0, 0], [0, 1, 30.0], [0, 0, 1]])
    assert less_alike(motion, aside, seen, *wishes) > 1
    far = motion @ np.array([[1, 0, 900.0], [0, 1, 0], [0, 0, 1]])
    assert less_alike(motion, far, seen, *wishes) == 0


def test_overlaps_no_link_holds_speak_against_places_where_they_are_less_alike() -> None:
    wishes, aside = {"belief": BeliefSettings(), "evidence": SETTINGS}, np.array([[1, 0, 0], [0, 1, 30.0], [0, 0, 1]])
    moved_on = POSES | {"b": aside @ POSES["b"]}
    ask = spoken_against(Layout("a", POSES, (), ()), SIZES, details(a=1, b=1, c=1), **wishes)
    assert ask(POSES, frozenset()) == 0
    others = frozenset({("b", "c")})
    assert ask(moved_on, others) >= 8 and ask(moved_on, others | {("a", "b")}) < 8
