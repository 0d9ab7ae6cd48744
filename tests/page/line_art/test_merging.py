"""I check what is counted on borders by hand, what the trees say by their sums, and in which order areas are joined."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from stitchbed.core.arrays import Array, Bytes, Labels
from stitchbed.page.line_art import hatching
from stitchbed.page.line_art.merging.graph import (
    AMID,
    BRIDGE,
    DRAWN,
    FREE,
    HALF,
    LENGTH,
    LINE,
    OPEN,
    RIM,
    TONE,
    TONED,
    Graph,
    X,
    graph_of,
    joined_graph,
)
from stitchbed.page.line_art.merging.looks import looks
from stitchbed.page.line_art.merging.rounds import (
    TICKS,
    between_rooms,
    join_strokes,
    settled_rounds,
    weighed,
    within_letters,
)
from stitchbed.page.line_art.merging.trees import Trees, asked, learned
from stitchbed.page.line_art.outlines import Outlines
from stitchbed.page.page import page_of_array
from stitchbed.pipelines.flats import FlatsSettings, lines_of, region_map


def three_rooms() -> tuple[Labels, Bytes, Outlines]:
    """Three rooms side by side, where no line is, what lines are: an outline two cells wide after the first, a stroke
    of a series of one cell after the second, which has an opening of three cells with a bridge in one of them."""
    drawn, tone, bridge = np.zeros((3, 20, 32), np.uint8)
    drawn[:, 10:12], tone[:, 22] = 1, 1
    tone[4:7, 22] = 0
    bridge[5, 22] = 1
    labels = np.zeros(drawn.shape, np.int32)
    labels[:, 11:], labels[:, 22:] = 1, 2
    every = drawn | tone
    found = Outlines(drawn | bridge, tone | bridge, every | bridge, tone * hatching.AMID, np.zeros_like(tone), bridge)
    return labels, 1 - every, found


def test_what_lies_on_borders_is_counted() -> None:
    graph = graph_of(*three_rooms(), 0.1)
    assert graph.pairs.tolist() == [[0, 1], [1, 2]]
    assert graph.borders[:, LENGTH].tolist() == [20, 20]
    assert graph.borders[:, DRAWN].tolist() == [20, 0]
    assert graph.borders[:, TONE].tolist() == [0, 17]
    assert graph.borders[:, BRIDGE].tolist() == [0, 1]
    assert graph.borders[:, AMID].tolist() == [0, 17]
    assert graph.borders[:, OPEN].tolist() == [0, 2]  # beside a stroke of one cell is no opening
    assert graph.borders[0, HALF] == pytest.approx(20, abs=1)  # half of two cells, each; the mask reckons .955
    assert graph.areas[:, FREE].tolist() == [200, 200, 183]
    assert graph.areas[:, LINE].tolist() == [20, 20, 17]
    assert graph.areas[:, TONED].tolist() == [0, 0, 17]
    assert graph.areas[:, RIM].tolist() == [40, 22, 38]
    assert graph.areas[0, X] == pytest.approx(20 * 0.1 * sum(range(11)))
    assert graph.wide[1] == pytest.approx(2 * 0.1 * 5, abs=0.13)  # from a line to a line, ten cells, by that mask


def test_many_rows_are_counted_as_few(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = graph_of(*three_rooms(), 0.1)
    monkeypatch.setattr("stitchbed.page.line_art.merging.graph.STRIP", 7)
    parts = graph_of(*three_rooms(), 0.1)
    assert np.array_equal(parts.pairs, whole.pairs) and np.allclose(parts.borders, whole.borders)


def test_to_join_is_to_add_up() -> None:
    labels, free, found = three_rooms()
    joined = joined_graph(graph_of(labels, free, found, 0.1), np.array([0, 1, 1]))
    at_once = graph_of(np.minimum(labels, 1), free, found, 0.1)
    assert np.array_equal(joined.pairs, at_once.pairs)
    assert np.allclose(joined.borders, at_once.borders) and np.allclose(joined.areas, at_once.areas)
    assert joined.parts.tolist() == [1, 2] and np.allclose(joined.wide, at_once.wide)


def test_what_is_seen_is_shares_and_sizes() -> None:
    seen = looks(graph_of(*three_rooms(), 0.1), 0.1)
    assert set(learned().names) <= set(seen)
    assert seen["drawn"].tolist() == [1, 0] and seen["tone"].tolist() == [0, 17 / 20]
    assert np.exp(seen["area_small"]) == pytest.approx([2.0, 1.83])
    assert seen["share_large"] == pytest.approx([20 / 62, 20 / 62])  # of the middle room's border, the page's rim too
    assert seen["outlined_small"] == pytest.approx([20 / 60, 0])
    assert all(np.isfinite(value).all() and value.shape == (2,) for value in seen.values())


def test_trees_add_up_what_they_say() -> None:
    about, bounds = np.array([[0, 1, 1], [1, 0, 0]]), np.array([[0.5, 1, 2], [5, np.inf, np.inf]])
    trees = Trees(("a", "b"), about, bounds, np.array([[1.0, 2, 3, 4], [10, 20, 30, 40]]), -1.0)
    seen = {"b": np.array([1.0, 1.5, 2.0, 9.0]), "a": np.array([0.5, 0.0, 0.6, 0.6])}
    assert asked(trees, seen).tolist() == [-1 + 1 + 10, -1 + 2 + 10, -1 + 3 + 10, -1 + 4 + 30]


def weighing(graph: Graph, odds: dict[tuple[int, int], float]) -> tuple[list[int], list[int]]:
    """What areas are joined into where borders are weighed so once, and no more; how many borders each round had."""
    rounds: list[int] = []

    def weigh(seen: dict[str, Array]) -> Array:
        rounds.append(len(seen["length"]))
        if len(rounds) > 1:
            return np.full(rounds[-1], -9.0)
        return np.array([odds.get((a, b), -9.0) for a, b in graph.pairs.tolist()])

    return settled_rounds(graph, 0.1, weigh).tolist(), rounds


def test_the_surest_go_first_and_all_is_weighed_again() -> None:
    graph = graph_of(*three_rooms(), 0.1)
    assert weighing(graph, {(0, 1): 9, (1, 2): 2}) == ([0, 0, 1], [2, 1])  # after it the other is sure no more
    assert weighing(graph, {(0, 1): 2, (1, 2): 9}) == ([0, 1, 1], [2, 1])
    assert weighing(graph, {(0, 1): -0.9}) == ([0, 1, 2], [2])  # not sure enough: a chance of .29
    assert weighing(graph, {(0, 1): -0.8}) == ([0, 0, 1], [2, 1])


def drawn_page() -> Bytes:
    """A flag of five stripes, and a box hatched by a lighter hand, unevenly and from side to side."""
    line, rng = np.zeros((500, 900), np.uint8), np.random.default_rng(4)
    for left, right, low in ((40, 360, 410), (450, 850, 440)):
        cv2.rectangle(line, (left, 60), (right, low), 1, 4)
    for n in range(1, 5):
        cv2.line(line, (40, 60 + 70 * n), (360, 60 + 70 * n), 1, 4)
    for at in 455 + np.cumsum(14 * rng.uniform(0.6, 1.4, 23)):
        cv2.line(line, (round(at), 438), (round(at + 60 + rng.normal(0, 6)), 62), 1, 2)
    return line


def test_a_patch_of_uneven_hatching_is_one_area_and_stripes_stay() -> None:
    line = drawn_page()
    page = page_of_array(255 * (1 - line), 300.0)
    labels = region_map(page, lines_of(page, 0.25), FlatsSettings(workers=1))[0].labels
    assert len(np.unique(labels[100:400, 470:830][line[100:400, 470:830] == 0])) == 1
    assert len({int(labels[90 + 70 * n, 200]) for n in range(5)} | {int(labels[20, 20])}) == 6


def test_an_outline_between_rooms_is_never_weighed() -> None:
    graph = graph_of(*three_rooms(), 0.1)
    seen = looks(graph, 0.1)
    assert between_rooms(seen).tolist() == [True, False]  # an outline, a stroke of a series with an opening
    surely = Trees(("length",), np.zeros((1, 1), np.int64), np.array([[np.inf]]), np.zeros((1, 2)), 9.0)
    assert weighed(surely, seen).tolist() == [-np.inf, 9.0]
    assert not between_rooms(looks(graph, 0.05))[0]  # a fourth as large and half as wide: paper between strokes
    assert not between_rooms(seen | {"open": np.full(2, 0.2)}).any()
    assert not between_rooms(seen | {"amid": np.full(2, 0.4)}).any()


def test_what_a_letter_closes_in_is_never_weighed() -> None:
    labels, free, found = three_rooms()
    labels[8:12, 3:7] = 3  # a counter of an O: paper, and round it the letter
    letter = cv2.dilate(np.asarray(labels == 3, np.uint8), np.ones((3, 3), np.uint8)) * np.asarray(
        labels != 3, np.uint8
    )
    free &= 1 - letter
    graph = graph_of(labels, free, replace(found, small=letter), 0.1)
    seen = looks(graph, 0.1)
    within = (graph.pairs == 3).any(axis=1)
    assert within_letters(seen).tolist() == within.tolist()
    never = Trees(("length",), np.zeros((1, 1), np.int64), np.array([[np.inf]]), np.zeros((1, 2)), -9.0)
    assert (weighed(never, seen) > 0).tolist() == within.tolist()
    assert not within_letters(looks(graph, 2.0)).any()  # as large as that it is drawn to be colored
    assert not within_letters(looks(graph_of(labels, free, found, 0.1), 0.1)).any()


def test_the_two_areas_in_a_b_are_within_a_letter() -> None:
    labels, free, found = three_rooms()
    labels[8:12, 3:7], labels[10:12, 3:7] = 3, 4
    inside = np.asarray(labels >= 3, np.uint8)
    letter = cv2.dilate(inside, np.ones((3, 3), np.uint8)) & (1 - inside)
    letter[10, 3:7] = 1
    free &= 1 - letter
    graph = graph_of(labels, free, replace(found, small=letter, walls=found.walls & ~letter), 0.1)
    assert within_letters(looks(graph, 0.1)).tolist() == (graph.pairs >= 3).any(axis=1).tolist()


def test_what_is_smaller_than_asked_joins_a_neighbor() -> None:
    labels, free, found = three_rooms()
    labels[8:10, 4:6] = 3  # four cells of paper
    labels += 1
    told: list[int] = []
    join_strokes(labels, free, found, 5, 0.1, workers=2, tick=lambda: told.append(1))
    assert labels[8, 4] == labels[2, 2] and 4 < len(told) <= TICKS
