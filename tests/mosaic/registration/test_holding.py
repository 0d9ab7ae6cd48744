"""I check that a piece without good ties is held by what is left, weighed by what it is worth."""

from __future__ import annotations

from dataclasses import replace

import networkx as nx
import numpy as np

from stitchbed.imaging.transforms import similarity_matrix
from stitchbed.mosaic.registration.bundle_adjustment import adjust_bundle
from stitchbed.mosaic.registration.holding import HoldSettings, by_layout, counted, gaps, lifted_weighed_less, parts
from stitchbed.mosaic.registration.placement import Placement
from stitchbed.mosaic.registration.scanner_bed import BedSettings
from stitchbed.mosaic.registration.tie_points import Ties, gathered, together
from stitchbed.mosaic.registration.unknowns import AlignmentSettings, Frame

SETTINGS = HoldSettings()
SCALE = np.full(5, 6.0)  # px per mm


def _row(count: int) -> list[Placement]:
    """Pieces of 400 x 500 px in a row, each turned a little."""
    turned = [np.deg2rad(0.3 * k) for k in range(count)]
    matrices = [similarity_matrix(np.array([np.cos(a), np.sin(a), 400 * k, 0])) for k, a in enumerate(turned)]
    return [Placement(f"t{k}", (400, 500), matrix) for k, matrix in enumerate(matrices)]


def _ties(a: int, b: int, count: int) -> Ties:
    xy = np.column_stack([np.linspace(410, 490, count), np.linspace(20, 380, count) * np.cos(np.arange(count)) ** 2])
    return gathered([(a, b, p, p - [400, 0], np.eye(2) / 0.05**2, 0.9) for p in xy])


def test_parts_are_the_components_of_the_overlaps_with_enough_ties() -> None:
    ties = together([_ties(0, 1, 8), _ties(1, 2, 5), _ties(3, 4, 6)])
    assert counted(ties) == {(0, 1): 8, (1, 2): 5, (3, 4): 6}
    assert sorted(map(sorted, parts(5, counted(ties), 6))) == [[0, 1], [2], [3, 4]]


def test_gaps_are_bridged_by_the_nearest_pieces_and_no_more_than_needed() -> None:
    bridges = gaps(_row(5), [{0, 1}, {2}, {3, 4}])
    assert bridges == [(1, 2), (2, 3)]
    graph = nx.Graph([(0, 1), (3, 4), *bridges])
    assert nx.is_tree(graph)


def test_a_piece_without_ties_stays_where_the_layout_has_it() -> None:
    """The normal matrix would be singular: the piece has a prior on its scale only."""
    places = _row(3)
    ties = _ties(0, 1, 20)
    held = by_layout(places, [(1, 2)], SCALE, SETTINGS)
    frame = Frame(np.ones(3), np.full(3, -1), {}, 0)
    found = adjust_bundle(places, together([ties, held]), frame, AlignmentSettings(solve_bed=False), BedSettings())
    moved = np.linalg.inv(found.placements[1].sheet_from_tile) @ found.placements[2].sheet_from_tile
    before = np.linalg.inv(places[1].sheet_from_tile) @ places[2].sheet_from_tile
    assert np.abs(moved - before).max() < 1e-3
    # four ties of .5 mm: the place is known to .5 / sqrt(4) mm per axis, plus what the turn adds at the piece's middle
    assert 0.25 * 6 * np.sqrt(2) < found.placements[2].sigma < 1.5 * 6 * np.sqrt(2)
    assert found.placements[1].sigma < 0.2


def test_the_layout_holds_a_piece_at_the_corners_of_what_it_shares() -> None:
    long = (600, 400)  # two of them share 100 px along their long sides
    places = [Placement("a", long, np.eye(3)), Placement("b", long, np.array([[1, 0, 300.0], [0, 1, 20], [0, 0, 1]]))]
    held = by_layout(places, [(0, 1)], SCALE, SETTINGS)
    assert np.allclose(np.sort(held.xy_a[:, 0]), [299.5, 299.5, 399.5, 399.5], atol=0.01)
    assert np.allclose(np.sort(held.xy_a[:, 1]), [19.5, 19.5, 599.5, 599.5], atol=0.01)
    apart = [places[0], replace(places[1], sheet_from_tile=np.array([[1, 0, 500.0], [0, 1, 0], [0, 0, 1]]))]
    assert np.allclose(by_layout(apart, [(0, 1)], SCALE, SETTINGS).xy_a.mean(0), [449.5, 299.5])


def test_lifted_ties_count_together_as_a_few() -> None:
    """The mean of n ties whose errors are alike must not be believed better than one error over sqrt(alike)."""
    ties = _ties(0, 1, 300)
    lifted = np.arange(300) < 270
    info = lifted_weighed_less(ties, lifted, SCALE, SETTINGS).info
    assert np.array_equal(info[~lifted], ties.info[~lifted])
    mean_sigma = 1 / np.sqrt(info[lifted, 0, 0].sum())
    assert abs(mean_sigma / (SETTINGS.lifted_mm * 6 / np.sqrt(SETTINGS.alike)) - 1) < 0.01
