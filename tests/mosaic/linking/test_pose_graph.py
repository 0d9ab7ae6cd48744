"""I check that false links fall, that islands are named, and that order does not matter."""

from __future__ import annotations

from dataclasses import replace

import networkx as nx
import numpy as np
import pytest
import tolerances as tol

from stitchbed.imaging.transforms import moved, similarity_matrix
from stitchbed.matching.similarity_links import Link
from stitchbed.mosaic.linking.link_graph import corners, loop_residual
from stitchbed.mosaic.linking.pose_graph import (
    COPY,
    DISAGREES,
    REPEATED,
    GraphSettings,
    Layout,
    at_sizes,
    lay_out,
    looped,
    repeated_in,
    without,
)

SIZE = (400, 500)
STEP = (290.0, 360.0)
SETTINGS = GraphSettings()


def _turn(degrees: float, x: float, y: float, scale: float = 1.0) -> np.ndarray:
    a = np.deg2rad(degrees)
    return similarity_matrix(np.array([scale * np.cos(a), scale * np.sin(a), x, y]))


def _grid(rows: int, cols: int, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """sheet_from_tile of a grid, some pieces turned."""
    places = {}
    for k in range(rows * cols):
        row, col = divmod(k, cols)
        middle = np.array([col * STEP[1], row * STEP[0]]) + rng.uniform(-8, 8, 2)
        turn = rng.choice([0, 0, 180, 90]) + rng.uniform(-2, 2)
        place = _turn(float(turn), 0, 0)
        place[:2, 2] = middle - moved(place, np.array([[249.5, 199.5]]))[0]
        places[f"t{k}"] = place
    return places


def _link(places: dict[str, np.ndarray], a: str, b: str, rng: np.random.Generator, *, noise: float = 0.3) -> Link:
    """A true link with an error of `noise` px per axis."""
    motion = np.linalg.inv(places[b]) @ places[a]
    motion = motion + np.array([[0, 0, rng.normal(0, noise)], [0, 0, rng.normal(0, noise)], [0, 0, 0]])
    return _linked(a, b, motion, rng)


def _linked(a: str, b: str, motion: np.ndarray, rng: np.random.Generator, *, agreement: float = 0.8) -> Link:
    xy = rng.uniform([0, 0], [SIZE[1], SIZE[0]], (60, 2))
    return Link(a, b, motion, xy, moved(motion, xy), 0.3, agreement, 0.0)


def _neighbors(rows: int, cols: int) -> list[tuple[str, str]]:
    return [(f"t{min(i, j)}", f"t{max(i, j)}") for i, j in sorted(nx.convert_node_labels_to_integers(
        nx.grid_2d_graph(rows, cols), ordering="sorted").edges)]  # fmt: skip


def _sizes(places: dict[str, np.ndarray]) -> dict[str, tuple[int, int]]:
    return dict.fromkeys(places, SIZE)


def _rng() -> np.random.Generator:
    return np.random.default_rng(20)


def _wrong_by(layout: Layout, places: dict[str, np.ndarray]) -> float:
    """Greatest miss (px) of any tile's corner against truth, the reference held still (the gauge)."""
    home = np.linalg.inv(places[layout.reference])
    return max(
        float(np.hypot(*(moved(matrix, corners(SIZE)) - moved(home @ places[name], corners(SIZE))).T).max())
        for name, matrix in layout.sheet_from_tile.items()
    )


@pytest.mark.parametrize("draw", range(6))
def test_true_links_give_true_places(draw: int) -> None:
    rng = np.random.default_rng(draw)
    places = _grid(3, 3, rng)
    links = [_link(places, a, b, rng, noise=0.0) for a, b in _neighbors(3, 3)]
    (layout,) = lay_out(_sizes(places), links, SETTINGS, _rng())
    assert layout.dropped == () and len(layout.links) == 12
    assert np.array_equal(layout.sheet_from_tile[layout.reference], np.eye(3))
    assert layout.reference == "t4"  # the middle one: errors grow outward evenly
    assert _wrong_by(layout, places) < tol.ARITHMETIC_PX


@pytest.mark.parametrize("draw", range(10))
def test_planted_false_links_fall_and_no_others(draw: int) -> None:
    """Five lies among 17 truths, stronger than they: matched motifs, and matches of the glass with itself."""
    rng = np.random.default_rng([draw, 1])
    places = _grid(3, 4, rng)
    links = [_link(places, a, b, rng) for a, b in _neighbors(3, 4)]
    far = [("t0", "t6"), ("t1", "t11"), ("t3", "t8"), ("t0", "t10"), ("t2", "t8"), ("t4", "t11")]
    lies = [far[k] for k in rng.choice(len(far), 5, replace=False)]
    turns = (rng.uniform(-180, 180), 0.0, 180.0)
    motions = [np.eye(3), np.eye(3), *(_turn(turn, *rng.uniform(-300, 300, 2)) for turn in turns)]
    false = [_linked(a, b, motion, rng, agreement=0.85) for (a, b), motion in zip(lies, motions, strict=True)]
    (layout,) = lay_out(_sizes(places), [*links, *false], SETTINGS, _rng())
    assert {(item.a, item.b) for item, _ in layout.dropped} == set(lies)
    assert all("loop" in reason for _, reason in layout.dropped)
    assert len(layout.links) == 17 and _wrong_by(layout, places) < 5 * 6 * 0.3  # 6 links to the far corner, 5 sigma


def test_a_motif_that_deceives_several_neighbors_alike_falls_too() -> None:
    """Lies that agree with each other: one tile believed 130 px away by two of its four neighbors."""
    rng = np.random.default_rng(3)
    places = _grid(3, 3, rng)
    lied_to = [("t1", "t4"), ("t3", "t4")]
    elsewhere = {**places, "t4": _turn(0, 130, 0) @ places["t4"]}
    pairs = [*_neighbors(3, 3), ("t4", "t8"), ("t2", "t4")]
    links = [_link(elsewhere if pair in lied_to else places, *pair, rng) for pair in pairs]
    (layout,) = lay_out(_sizes(places), links, SETTINGS, _rng())
    assert {(item.a, item.b) for item, _ in layout.dropped} == set(lied_to)


def test_islands_come_apart_the_largest_first() -> None:
    rng = np.random.default_rng(4)
    places = {**_grid(2, 2, rng), "u0": np.eye(3), "u1": _turn(1, 300, 5), "alone": np.eye(3)}
    links = [_link(places, a, b, rng) for a, b in [*_neighbors(2, 2), ("u0", "u1")]]
    layouts = lay_out(_sizes(places), links, SETTINGS, _rng())
    assert [sorted(layout.sheet_from_tile) for layout in layouts] == [["t0", "t1", "t2", "t3"], ["u0", "u1"], ["alone"]]
    assert np.array_equal(layouts[2].sheet_from_tile["alone"], np.eye(3)) and layouts[2].links == ()


def test_no_links_no_layout_but_islands() -> None:
    layouts = lay_out({"b": SIZE, "a": SIZE}, [], SETTINGS, _rng())
    assert [layout.reference for layout in layouts] == ["a", "b"]


@pytest.mark.parametrize("draw", range(5))
def test_order_does_not_matter(draw: int) -> None:
    rng = np.random.default_rng([draw, 5])
    places = _grid(3, 4, rng)
    links = [_link(places, a, b, rng) for a, b in _neighbors(3, 4)]
    links.append(_linked("t0", "t6", _turn(0, 20, 30), rng))
    names = list(places)
    (one,) = lay_out(_sizes(places), links, SETTINGS, _rng())
    order, again = rng.permutation(len(links)), rng.permutation(len(names))
    (two,) = lay_out({names[k]: SIZE for k in again}, [links[k] for k in order], SETTINGS, _rng())
    assert one.reference == two.reference and [(k.a, k.b) for k in one.links] == [(k.a, k.b) for k in two.links]
    assert all(np.array_equal(one.sheet_from_tile[name], two.sheet_from_tile[name]) for name in names)


def test_a_weak_link_bridges_but_does_not_outvote() -> None:
    rng = np.random.default_rng(6)
    places = _grid(2, 3, rng)
    strong = [_link(places, a, b, rng) for a, b in _neighbors(2, 3)]
    wrong = _linked("t0", "t5", _turn(3, 40, 5), rng, agreement=0.95)
    weak = Link(wrong.a, wrong.b, wrong.b_from_a, wrong.xy_a, wrong.xy_b, 0.3, 0.95, 0.0, weak=True)
    (layout,) = lay_out(_sizes(places), [*strong, weak], SETTINGS, _rng())
    assert [(item.a, item.b) for item, _ in layout.dropped] == [("t0", "t5")]
    bridge = _link(places, "t0", "t1", rng)
    bridge = Link(bridge.a, bridge.b, bridge.b_from_a, bridge.xy_a, bridge.xy_b, 0.3, 0.2, 0.0, weak=True)
    pair = {name: places[name] for name in ("t0", "t1")}
    (layout,) = lay_out(_sizes(pair), [bridge], SETTINGS, _rng())
    assert layout.links[0].weak and len(layout.sheet_from_tile) == 2


def test_a_loop_of_truths_closes() -> None:
    rng = np.random.default_rng(7)
    places = _grid(2, 2, rng)
    round_trip = [("t0", "t1", True), ("t1", "t3", True), ("t2", "t3", False), ("t0", "t2", False)]
    loop = [(_link(places, a, b, rng, noise=0), forward) for a, b, forward in round_trip]
    assert loop_residual(loop, SIZE) < tol.ARITHMETIC_PX


@pytest.mark.parametrize("length", [3, 4, 6])
def test_loops_close_as_chance_allows(length: int) -> None:
    """Sum of L shifts with noise s: e'e / (L s^2) is chi-squared with 2 degrees of freedom.

    So a loop of 4 misses by more than 4.90 s one time in twenty (chi-squared 95 %: 5.991; sqrt(5.991 * 4) = 4.895).
    """
    rng = np.random.default_rng(8)
    limit, runs, sigma = np.sqrt(5.991 * length), 1500, 0.7
    beyond = 0
    for _ in range(runs):
        steps = [_turn(0, *rng.normal(0, sigma, 2)) for _ in range(length)]
        loop = [(_bare(step), True) for step in steps]
        beyond += loop_residual(loop, SIZE) > limit * sigma
    assert tol.ONE_IN_TWENTY[0] < beyond / runs < tol.ONE_IN_TWENTY[1]
    assert np.sqrt(5.991 * 4) == pytest.approx(4.90, abs=0.005)


def _bare(motion: np.ndarray) -> Link:
    none = np.zeros((0, 2))
    return Link("a", "b", motion, none, none, 1.0, 1.0, 0.0)


def test_corners_are_pixel_centers_clockwise() -> None:
    assert corners((3, 5)).tolist() == [[0, 0], [4, 0], [4, 2], [0, 2]]


def test_a_doubtful_link_holds_only_within_a_loop() -> None:
    """Four pieces in a ring, then in a row: the ring confirms the doubtful link, the row does not."""
    rng = _rng()
    places = _grid(2, 2, rng)
    links = [_link(places, a, b, rng, noise=0.0) for a, b in _neighbors(2, 2)]
    doubtful = [replace(links[0], probability=0.6), *links[1:]]
    (ring,) = lay_out(_sizes(places), doubtful, SETTINGS, _rng())
    assert len(ring.links) == 4 and ring.dropped == ()
    parts = lay_out(_sizes(places), [*doubtful[:2], links[3]], SETTINGS, _rng())  # one of the ring is missing
    assert sorted(len(part.sheet_from_tile) for part in parts) == [1, 3] or len(parts) == 2
    told = [why for part in parts for _, why in part.dropped]
    assert told == ["too doubtful to hold two groups together alone"]
    (sure,) = lay_out(_sizes(places), [*links[:2], links[3]], SETTINGS, _rng())
    assert len(sure.links) == 3


def test_links_that_are_not_believed_any_more_part_a_layout() -> None:
    rng = _rng()
    places = _grid(1, 4, rng)
    (layout,) = lay_out(_sizes(places), [_link(places, a, b, rng) for a, b in _neighbors(1, 4)], SETTINGS, _rng())
    middle = next(item for item in layout.links if (item.a, item.b) == ("t1", "t2"))
    left, right = without(layout, [middle], "other drawing", _sizes(places))
    assert sorted(left.sheet_from_tile) == ["t0", "t1"] and sorted(right.sheet_from_tile) == ["t2", "t3"]
    assert [(item.a, why) for item, why in left.dropped] == [("t1", "other drawing")]
    assert _wrong_by(left, places) < 2 and _wrong_by(right, places) < 2


def test_a_piece_that_fits_as_well_elsewhere_is_an_island() -> None:
    """Unless another link, or a person, says where it lies."""
    rng = _rng()
    places = _grid(1, 3, rng)
    firm = _link(places, "t0", "t1", rng, noise=0.0)
    loose = replace(_link(places, "t1", "t2", rng, noise=0.0), ambiguous=True)
    parts = lay_out(_sizes(places), [firm, loose], SETTINGS, _rng())
    assert [sorted(part.sheet_from_tile) for part in parts] == [["t0", "t1"], ["t2"]]
    assert parts[0].dropped == ((loose, REPEATED),) and repeated_in(parts) == {"t1", "t2"}
    assert repeated_in([replace(parts[0], dropped=((firm, COPY), (loose, DISAGREES)))]) == {"t0", "t1"}
    (whole,) = lay_out(_sizes(places), [firm, replace(loose, said=True)], SETTINGS, _rng())
    assert len(whole.sheet_from_tile) == 3
    (whole,) = lay_out(_sizes(places), [firm, loose, _link(places, "t0", "t2", rng, noise=0.0)], SETTINGS, _rng())
    assert len(whole.sheet_from_tile) == 3


def test_sure_links_that_contradict_each_other_hold_nothing() -> None:
    """Six pairs of four pieces look alike, three of them in contradiction to the three that a tree would hold."""
    rng = _rng()
    places = _grid(2, 2, rng)
    true = [_link(places, a, b, rng, noise=0.0) for a, b in _neighbors(2, 2)]
    (ring,) = lay_out(_sizes(places), [*true, _linked("t0", "t3", _turn(0, 90, 0), rng)], SETTINGS, _rng())
    assert len(ring.links) == 4
    shifts = {("t0", "t3"): 90, ("t1", "t2"): 200, ("t0", "t2"): 150, ("t1", "t3"): 30}
    far = [_linked(a, b, _turn(0, x, 0), rng) for (a, b), x in shifts.items()]
    few = [item for item in true if (item.a, item.b) in {("t0", "t1"), ("t2", "t3")}]
    parts = lay_out(_sizes(places), [*few, *far], SETTINGS, _rng())
    assert max(len(part.sheet_from_tile) for part in parts) < 4
    doubtful = [replace(item, probability=0.5) for item in far[:2]]
    assert len(lay_out(_sizes(places), [*true, *doubtful], SETTINGS, _rng())[0].sheet_from_tile) == 4


def test_where_pieces_fit_at_several_places_a_link_alone_must_be_surer() -> None:
    rng = _rng()
    places = _grid(1, 3, rng)
    likely = replace(_link(places, "t0", "t1", rng, noise=0.0), probability=0.8)
    repeated = replace(_link(places, "t1", "t2", rng, noise=0.0), ambiguous=True)

    def islands(*links: Link) -> int:
        return len(lay_out(_sizes(places), links, SETTINGS, _rng()))

    assert islands(likely, repeated) == 3 and islands(replace(likely, probability=0.95), repeated) == 2
    assert islands(likely, replace(repeated, ambiguous=False)) == 1


def test_where_many_links_fit_elsewhere_only_sure_ones_hold() -> None:
    """Printed wallpaper: all six agree in a layout one motif aside, and none of them is sure."""
    rng = _rng()
    places = _grid(2, 3, rng)
    true = [_link(places, a, b, rng, noise=0.0) for a, b in _neighbors(2, 3)]
    likely = [replace(item, probability=0.95, ambiguous=n % 2 == 0) for n, item in enumerate(true)]

    def largest(links: list[Link]) -> int:
        return max(len(part.sheet_from_tile) for part in lay_out(_sizes(places), links, SETTINGS, _rng()))

    assert largest(likely) == 1
    assert largest([replace(item, ambiguous=n == 0) for n, item in enumerate(likely)]) == 6
    assert largest([replace(item, probability=0.99) for item in likely[1::2]] + likely[::2]) > 1


def test_several_sure_links_that_contradict_the_others_leave_none_believed() -> None:
    rng = _rng()
    places = _grid(2, 3, rng)
    true = [_link(places, a, b, rng, noise=0.0) for a, b in _neighbors(2, 3)]
    aside = [_linked("t0", "t4", _turn(0, 90, 0), rng), _linked("t1", "t5", _turn(0, -150, 0), rng)]
    more = [*aside, _linked("t2", "t4", _turn(0, 200, 0), rng)]
    assert [len(part.sheet_from_tile) for part in lay_out(_sizes(places), [*true, *aside], SETTINGS, _rng())] == [6]
    parts = lay_out(_sizes(places), [*true, *more], SETTINGS, _rng())
    assert len(parts) == 6 and repeated_in(parts) == set(places)


@pytest.mark.parametrize("draw", range(4))
def test_true_links_of_many_pieces_are_not_outvoted_by_a_long_chain(draw: int) -> None:
    """Each link is off by .7 px, and a chain across 42 pieces by more than a loop may miss."""
    rng = np.random.default_rng([draw, 8])
    places = _grid(6, 7, rng)
    links = [_link(places, a, b, rng, noise=0.7) for a, b in _neighbors(6, 7)]
    (layout,) = lay_out(_sizes(places), links, SETTINGS, _rng())
    assert layout.dropped == ()
    assert _wrong_by(layout, places) < 5.0


def _sized(size: float, *, truly: bool) -> tuple[Layout, dict[str, tuple[int, int]]]:
    """A grid of 3 x 4 whose last column two links hold, both saying that it is larger; truly, or each about its own
    middle, as a few points that are a little off do."""
    rng = np.random.default_rng(5)
    places = {f"t{k}": _turn(0.3 * k, 360.0 * (k % 4), 290.0 * (k // 4)) for k in range(12)}
    larger = {f"t{k}": places[f"t{k}"] @ np.diag([size, size, 1]) for k in (3, 7, 11)}
    pairs = [pair for pair in _neighbors(3, 4) if pair != ("t6", "t7")]
    links = [_link(places | larger if truly else places, a, b, rng, noise=0.1) for a, b in pairs]
    for k, (a, b) in enumerate(pairs):
        if b in larger and a not in larger and not truly:
            strip = links[k].xy_a * (0.25, 1) + (370, 0)  # what they share
            middle = moved(links[k].b_from_a, strip).mean(0) * (1 - 1 / size)
            motion = _turn(0, *middle, 1 / size) @ links[k].b_from_a
            links[k] = replace(links[k], b_from_a=motion, xy_a=strip, xy_b=moved(motion, strip))
    (layout,) = lay_out(_sizes(places), links, SETTINGS, _rng())
    assert len(layout.links) == len(links)
    found = [np.hypot(*layout.sheet_from_tile[name][:2, 0]) for name in ("t3", "t2")]
    assert abs(found[0] / found[1] / size - 1) < 2e-3
    return layout, _sizes(places)


def test_a_size_that_links_need_not_is_the_one_of_the_dpi() -> None:
    layout, sizes = _sized(1.008, truly=False)
    held = at_sizes(layout, dict.fromkeys(sizes, 1.0), sizes, SETTINGS)
    assert held.links == layout.links
    assert max(abs(np.hypot(*place[:2, 0]) - 1) for place in held.sheet_from_tile.values()) < 1e-6
    assert np.array_equal(held.sheet_from_tile[held.reference], np.eye(3))


def test_a_size_that_links_show_is_believed() -> None:
    layout, sizes = _sized(1.02, truly=True)
    assert at_sizes(layout, dict.fromkeys(sizes, 1.0), sizes, SETTINGS) is layout


def test_pieces_in_loops_of_links_that_agree_are_told() -> None:
    """A ring of four, a tail, and a second ring, that one link hangs on the first."""
    rng = _rng()
    ring = [("a", "b"), ("b", "c"), ("c", "d"), ("d", "a"), ("d", "e"), ("f", "g"), ("g", "h"), ("h", "f"), ("e", "f")]
    links = [_linked(one, two, np.eye(3), rng) for one, two in ring]
    layout = Layout("a", {name: np.eye(3) for name in "abcdefgh"}, tuple(links), ())
    assert looped(layout) == {"a": 0, "b": 0, "c": 0, "d": 0, "f": 1, "g": 1, "h": 1}
    faint = _linked("a", "b", np.eye(3), rng, agreement=0.3)
    assert looped(replace(layout, links=(faint, *links[1:]))) == {"f": 0, "g": 0, "h": 0}
