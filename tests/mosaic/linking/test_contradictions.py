"""I check that links which contradict each other are told where nothing outvotes one of them, and only there."""

from __future__ import annotations

from collections.abc import Mapping, Set
from dataclasses import replace

import numpy as np
import pytest

from stitchbed.core.arrays import Array
from stitchbed.matching.similarity_links import Link
from stitchbed.mosaic.linking.contradictions import (
    aside_words,
    contradiction_words,
    contradictions,
    held_by_repeats,
    placed_aside,
    repeat_words,
)
from stitchbed.mosaic.linking.pose_graph import REPEATED, GraphSettings, Layout, lay_out

SIZE = (400, 500)
SIZES = dict.fromkeys("abcd", SIZE)
AT = {"a": (0, 0), "b": (400, 0), "c": (0, 300), "d": (400, 300)}


def _link(a: str, b: str, *, off: float = 0.0, chance: float = 0.99) -> Link:
    """The true link of two pieces, or one `off` px to the side."""
    shift = np.array([[1, 0, AT[a][0] - AT[b][0] + off], [0, 1, AT[a][1] - AT[b][1]], [0, 0, 1.0]])
    xy = np.array([[250.0, 200.0], [300.0, 260.0], [280.0, 220.0]])
    return Link(a, b, shift, xy, xy + shift[:2, 2], 0.5, 0.9, 0.0, probability=chance)


def _laid(*links: Link) -> Layout:
    (layout,) = lay_out(SIZES, links, GraphSettings(), np.random.default_rng(0))
    return layout


def _silent(places: Mapping[str, Array], pairs: Set[tuple[str, str]]) -> float:
    return 0.0


def test_of_four_links_around_a_loop_one_lies_and_how_far_is_told() -> None:
    laid = _laid(_link("a", "b"), _link("b", "d"), _link("d", "c"), _link("a", "c", off=40.0))
    (found,) = contradictions(laid, SIZES, _silent)
    assert sorted(found.pieces) == ["a", "b", "c", "d"]
    assert found.off_px == pytest.approx(40.0)
    (words,) = contradiction_words([found], 10.0)
    assert "a" in words and "4 mm" in words


def test_links_around_a_loop_may_all_lie_where_each_is_weak() -> None:
    """A motif drawn again and again lies on its like in all pieces that show it, so that their loop closes."""
    weak = [replace(_link(*pair), weak=True) for pair in ("bd", "dc", "bc")]
    laid = _laid(_link("a", "b"), *weak, replace(_link("a", "c", off=40.0), weak=True))
    (found,) = contradictions(laid, SIZES, _silent)
    assert found.pieces == ("a", "b", "c")
    firm = [_link(*pair) for pair in ("ab", "bd", "dc", "bc")]
    sure = _laid(*firm, _link("a", "c", off=40.0, chance=0.8))
    assert len(sure.dropped) == 1 and contradictions(sure, SIZES, _silent) == []


def test_a_link_that_loops_outvote_is_settled() -> None:
    others = [_link(*pair) for pair in ("ab", "bd", "cd", "ac")]
    laid = _laid(*others, _link("a", "d", off=40.0))
    assert len(laid.dropped) == 1 and contradictions(laid, SIZES, _silent) == []


def test_a_doubtful_link_does_not_speak_against_sure_ones() -> None:
    laid = _laid(_link("a", "b"), _link("b", "d"), _link("d", "c"), _link("a", "c", off=40.0, chance=0.4))
    assert len(laid.dropped) == 1 and contradictions(laid, SIZES, _silent) == []


def test_a_link_whose_layout_the_pictures_speak_against_contradicts_nothing() -> None:
    laid = _laid(_link("a", "b"), _link("b", "d"), _link("d", "c"), _link("a", "d", off=-380.0, chance=0.97))
    assert [(item.a, item.b) for item, _ in laid.dropped] == [("a", "d")]
    asked = []

    def loud(places: Mapping[str, Array], pairs: Set[tuple[str, str]]) -> float:
        asked.append(([float(places[name][0, 2] - places["a"][0, 2]) for name in "bcd"], pairs))
        return 8.0

    assert len(contradictions(laid, SIZES, _silent)) == 1
    assert contradictions(laid, SIZES, loud) == []
    across = {pairs - {("c", "d"), ("a", "d")}: x for x, pairs in asked}
    assert across[frozenset({("a", "b")})] == pytest.approx([400, 380, 780])
    assert across[frozenset({("b", "d")})] == pytest.approx([780, 380, 780])


def test_pieces_placed_although_what_they_share_is_drawn_several_times_may_lie_elsewhere() -> None:
    laid = _laid(_link("a", "b"), _link("b", "d"), _link("d", "c"))
    cut = [(_link("a", "b", off=180.0), REPEATED), (_link("b", "d", off=8.0), REPEATED)]
    doubtful = replace(laid, dropped=tuple(cut))
    (found,) = placed_aside(doubtful, SIZES, 30.0)
    assert found.pieces == ("a", "b") and found.off_px == pytest.approx(180.0)
    (words,) = aside_words([found], 6.0)
    assert "a, b" in words and "30 mm" in words and "several times" in words
    assert placed_aside(doubtful, SIZES, 200.0) == placed_aside(laid, SIZES, 30.0) == aside_words([], 6.0) == []


def test_parts_that_only_links_with_rivals_hold_are_told_though_their_loop_closes() -> None:
    """A wallpaper a period aside: every loop of it closes."""
    links = [_link("a", "b"), _link("b", "d"), _link("a", "d"), _link("c", "d")]
    laid = _laid(*links)
    assert held_by_repeats(laid, 0.75) == [] and repeat_words([]) == []
    repeating = replace(
        laid, links=tuple(replace(one, rival=0.84 if one.a != "a" or one.b != "b" else 0.1) for one in laid.links)
    )
    parts = held_by_repeats(repeating, 0.75)
    assert parts == [("a", "b"), ("c",), ("d",)]
    (words,) = repeat_words(parts)
    assert "a, b; c; d" in words and "repeat" in words
    said = replace(repeating, links=tuple(replace(one, said=True) for one in repeating.links))
    assert held_by_repeats(said, 0.75) == []
    assert held_by_repeats(replace(laid, links=laid.links[:1]), 0.75) == []  # the others are held by something else
