"""I check what is said of a finished layout."""

from __future__ import annotations

import numpy as np

from stitchbed.matching.similarity_links import Link
from stitchbed.mosaic.registration.pose_graph import Layout
from stitchbed.mosaic.survey.layout import link_words


def test_pieces_on_each_other_show_one_part_or_an_ornament_turned() -> None:
    turned = np.array([[-1.0, 0, 299], [0, -1, 199], [0, 0, 1]])
    layout = Layout("a", {"a": np.eye(3), "b": turned}, (), ())
    (words,) = link_words(layout, {"a": (200, 300), "b": (200, 300)})
    assert words.startswith("a and b show the same part of the sheet, one of them is enough; or") and "twice" in words
    beside = np.array([[1.0, 0, 250], [0, 1, 0], [0, 0, 1]])
    assert link_words(Layout("a", {"a": np.eye(3), "b": beside}, (), ()), {"a": (200, 300), "b": (200, 300)}) == []


def test_lines_that_fit_one_line_farther_are_told_with_how_far() -> None:
    beside, none = np.array([[1.0, 0, 250], [0, 1, 0], [0, 0, 1]]), np.zeros((0, 2))
    link = Link("a", "b", np.linalg.inv(beside), none, none, 0.5, 0.9, 0.1, slip_mm=1.25)
    layout = Layout("a", {"a": np.eye(3), "b": beside}, (link,), ())
    (words,) = link_words(layout, {"a": (200, 300), "b": (200, 300)})
    assert words.startswith("fine lines") and "a - b (1.2 mm)" in words
