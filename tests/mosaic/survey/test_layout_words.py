"""I check what is said of a finished layout."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from stitchbed.matching.overlap_evidence import EvidenceSettings, detail_of
from stitchbed.matching.similarity_links import Link
from stitchbed.mosaic.linking.pose_graph import COPY, DISAGREES, Layout
from stitchbed.mosaic.survey.layout import faint_words, link_words, two_sheets_words


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


def test_links_that_were_not_believed_are_told_by_the_reason() -> None:
    beside, none = np.array([[1.0, 0, 250], [0, 1, 0], [0, 0, 1]]), np.zeros((0, 2))
    link = Link("a", "b", np.linalg.inv(beside), none, none, 0.5, 0.9, 0.1)
    dropped = [(replace(link, b="d"), DISAGREES), (replace(link, b="c"), COPY), (replace(link, a="c", b="d"), COPY)]
    places = {name: np.array([[1.0, 0, 250 * k], [0, 1, 0], [0, 0, 1]]) for k, name in enumerate("abcd")}
    (words,) = link_words(Layout("a", places, (link,), tuple(dropped)), dict.fromkeys("abcd", (200, 300)))
    assert words.endswith(f"not believed: a - d ({DISAGREES}); a - c, c - d ({COPY})")


@pytest.mark.parametrize(("ink", "told"), [(12.0, True), (150.0, False)])
def test_pieces_that_share_nothing_but_faint_marks_are_told_unless_a_third_one_checks_them(
    ink: float, told: bool
) -> None:
    """Strokes of 12 gray levels, as of a pale print, are in two sheets of one paper alike; ink is in one alone."""
    rng, sheet = np.random.default_rng(3), np.full((200, 450), 230, np.float32)
    for _ in range(60):
        points = rng.integers(0, (450, 200), (3, 2)).astype(np.int32)
        cv2.polylines(sheet, [points], False, 230 - ink, 1, cv2.LINE_AA)
    details = {
        name: detail_of(sheet[:, at : at + 300], 1, 5.0, EvidenceSettings()) for name, at in (("a", 0), ("b", 150))
    }
    beside, none = np.array([[1.0, 0, 150], [0, 1, 0], [0, 0, 1]]), np.zeros((0, 2))
    link = Link("a", "b", np.linalg.inv(beside), none, none, 0.5, 0.9, 0.1)
    places = {"a": np.eye(3), "b": beside}
    words = faint_words(Layout("a", places, (link,), ()), details, EvidenceSettings())
    assert bool(words) == told and all("a - b" in one and "faint marks alone" in one for one in words)
    loop = (link, replace(link, a="b", b="c"), replace(link, a="a", b="c"))
    assert faint_words(Layout("a", {**places, "c": beside}, loop, ()), details, EvidenceSettings()) == []
    assert faint_words(Layout("a", places, (replace(link, said=True),), ()), details, EvidenceSettings()) == []


def test_groups_that_differ_are_two_sheets_or_a_surface_lit_from_two_sides() -> None:
    turned = np.array([[0.0, -1, 199], [1, 0, 0], [0, 0, 1]])
    places = {"a": np.eye(3), "b": np.eye(3), "c": turned}
    assert "scanned turned" in two_sheets_words((["a", "b"], ["c"]), places)
    assert "c, b may show another sheet than a" in two_sheets_words((["a"], ["c", "b"]), places)
